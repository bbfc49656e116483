from django.apps import AppConfig


class ReportsConfig(AppConfig):
    name = "prepdesk.reports"
    label = "reports"
