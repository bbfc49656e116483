from django.urls import URLPattern

app_name = "requests_app"
urlpatterns: list[URLPattern] = []
