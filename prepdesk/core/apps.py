from django.apps import AppConfig


class CoreConfig(AppConfig):
    name = "prepdesk.core"
    label = "core"
