"""Addresses of orders, and of the batches they become."""

from django.urls import path

from requests_app.views import order_form, orders

app_name = "requests_app"
urlpatterns = [
    path("orders/", orders.order_list, name="order_list"),
    path("orders/new/", order_form.order_new, name="order_new"),
    path("orders/preview/", order_form.order_preview, name="order_preview"),
    path("orders/<slug:reference>/", orders.order_detail, name="order"),
    path("orders/<slug:reference>/cancel/", orders.order_cancel, name="order_cancel"),
    path("orders/<slug:reference>/plan-again/", orders.order_plan_again, name="order_plan_again"),
    path("substances/search/", orders.substance_search, name="substance_search"),
]
