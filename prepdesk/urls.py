"""Every address of the site."""

from django.contrib import admin
from django.urls import include, path

from prepdesk.accounts.views import home
from prepdesk.core import health

handler403 = "prepdesk.core.views.forbidden"
handler404 = "prepdesk.core.views.not_found"
handler500 = "prepdesk.core.views.server_error"

urlpatterns = [
    path("healthz", health.process_up, name="healthz"),
    path("readyz", health.ready, name="readyz"),
    path("", home, name="home"),
    path("accounts/", include("prepdesk.accounts.urls")),
    # First, since what a bottle went into and whom a recall reaches is known to the orders only.
    path("", include("requests_app.urls")),
    path("stock/", include("inventory.urls")),
    path("review/", include("prepdesk.reports.urls")),
    path("api/v1/", include("prepdesk.api_urls")),
    path("admin/", admin.site.urls),
]
