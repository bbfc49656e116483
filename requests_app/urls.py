"""Addresses of orders, and of the batches they become."""

from django.urls import URLPattern, path

from requests_app.views import batches, order_form, orders, queue, recalls, rules, trace, unknowns

app_name = "requests_app"
urlpatterns: list[URLPattern] = [
    path("orders/", orders.order_list, name="order_list"),
    path("orders/new/", order_form.order_new, name="order_new"),
    path("orders/preview/", order_form.order_preview, name="order_preview"),
    path("orders/<str:reference>/", orders.order_detail, name="order"),
    path("orders/<str:reference>/cancel/", orders.order_cancel, name="order_cancel"),
    path("orders/<str:reference>/plan-again/", orders.order_plan_again, name="order_plan_again"),
    path("orders/<str:reference>/trace/", trace.order_trace, name="order_trace"),
    path("orders/<str:reference>/trace/csv/", trace.order_trace_csv, name="order_trace_csv"),
    # In the place of the shelves' own page for this event: only the orders know whom it reaches.
    path("stock/lots/<str:code>/state/recall/", recalls.recall, name="recall"),
    path("recalls/<int:number>/", recalls.record, name="recall_record"),
    path("stock/lots/<str:code>/trace/", trace.lot_trace, name="lot_trace"),
    path("stock/lots/<str:code>/trace/csv/", trace.lot_trace_csv, name="lot_trace_csv"),
    path("orders/<str:reference>/source/", orders.order_source, name="order_source"),
    path("substances/search/", orders.substance_search, name="substance_search"),
    path("teaching/rules/", rules.rules, name="rules"),
    path("queue/", queue.queue, name="queue"),
    path("batches/<str:reference>/", batches.batch, name="batch"),
    path("batches/<str:reference>/claim/", batches.claim, name="claim"),
    path("batches/<str:reference>/put-back/", batches.put_back, name="put_back"),
    path("batches/<str:reference>/steps/<int:number>/", batches.step, name="step"),
    path("batches/<str:reference>/finish/", batches.finish, name="finish"),
    path("batches/<str:reference>/stop/", recalls.stop, name="stop"),
    path("batches/<str:reference>/hand-over/", batches.hand_over, name="hand_over"),
    path("batches/<str:reference>/sheet/", batches.sheet, name="sheet"),
    path("unknowns/", unknowns.unknowns, name="unknowns"),
    path("unknowns/new/", unknowns.unknowns_new, name="unknowns_new"),
    path("unknowns/<str:reference>/", unknowns.unknown_set, name="unknown_set"),
    path("unknowns/<str:reference>/codes/", unknowns.codes, name="unknown_codes"),
    path("unknowns/<str:reference>/key/", unknowns.key, name="unknown_key"),
    path("unknowns/<str:reference>/key/csv/", unknowns.key_csv, name="unknown_key_csv"),
    path("unknowns/<str:reference>/readers/", unknowns.readers, name="unknown_readers"),
    path("unknowns/<str:reference>/cancel/", unknowns.cancel, name="unknown_cancel"),
]
