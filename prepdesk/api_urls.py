"""The API, version 1."""

from django.urls import path
from drf_spectacular.views import SpectacularAPIView

from prepdesk.accounts import schema  # noqa: F401  (registers how a token is described)
from requests_app.api import PreparationPreview
from requests_app.api_orders import OrderCommentsOverApi, OrderOverApi

urlpatterns = [
    path("preparations/preview/", PreparationPreview.as_view(), name="preparation_preview"),
    path("orders/<str:reference>/", OrderOverApi.as_view(), name="api_order"),
    path("orders/<str:reference>/comments/", OrderCommentsOverApi.as_view(), name="api_order_comments"),
    path("schema/", SpectacularAPIView.as_view(), name="api_schema"),
]
