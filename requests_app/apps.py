from django.apps import AppConfig


class RequestsConfig(AppConfig):
    name = "requests_app"
    verbose_name = "orders and batches"
