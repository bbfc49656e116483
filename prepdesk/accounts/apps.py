from django.apps import AppConfig


class AccountsConfig(AppConfig):
    name = "prepdesk.accounts"
    label = "accounts"
