"""The API, version 1."""

from django.urls import path
from drf_spectacular.views import SpectacularAPIView

from prepdesk.accounts import schema  # noqa: F401  (registers how a token is described)
from requests_app.api import PreparationPreview

urlpatterns = [
    path("preparations/preview/", PreparationPreview.as_view(), name="preparation_preview"),
    path("schema/", SpectacularAPIView.as_view(), name="api_schema"),
]
