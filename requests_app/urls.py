"""Addresses of orders, and of the batches they become."""

from django.urls import URLPattern, path

from requests_app.views import (
    batches,
    changes,
    corrections,
    meetings,
    order_form,
    orders,
    queue,
    recalls,
    trace,
)

app_name = "requests_app"
urlpatterns: list[URLPattern] = [
    path("orders/", orders.order_list, name="order_list"),
    path("orders/new/", order_form.order_new, name="order_new"),
    path("orders/preview/", order_form.order_preview, name="order_preview"),
    path("orders/<str:reference>/", orders.order_detail, name="order"),
    path("orders/<str:reference>/cancel/", orders.order_cancel, name="order_cancel"),
    path("orders/<str:reference>/change/", changes.order_change, name="order_change"),
    path("orders/<str:reference>/withdraw/", changes.order_withdraw, name="order_withdraw"),
    path("orders/<str:reference>/comments/", changes.order_comment, name="order_comment"),
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
    path("teaching/meetings/<int:number>/", meetings.meeting, name="meeting"),
    path("teaching/meetings/<int:number>/change/", meetings.meeting_change, name="meeting_change"),
    path("teaching/meetings/<int:number>/cancel/", meetings.meeting_cancel, name="meeting_cancel"),
    path("teaching/meetings/<int:number>/reinstate/", meetings.meeting_reinstate, name="meeting_reinstate"),
    path("teaching/sections/<int:number>/size/", meetings.section_size, name="section_size"),
    path("teaching/days/<str:day>/cancel/", meetings.day_cancel, name="day_cancel"),
    path("teaching/corrections/<int:number>/", corrections.correction, name="correction"),
    path("queue/", queue.queue, name="queue"),
    path("batches/<str:reference>/", batches.batch, name="batch"),
    path("batches/<str:reference>/changes/seen/", changes.changes_seen, name="changes_seen"),
    path("batches/<str:reference>/claim/", batches.claim, name="claim"),
    path("batches/<str:reference>/put-back/", batches.put_back, name="put_back"),
    path("batches/<str:reference>/steps/<int:number>/", batches.step, name="step"),
    path("batches/<str:reference>/finish/", batches.finish, name="finish"),
    path("batches/<str:reference>/stop/", recalls.stop, name="stop"),
    path("batches/<str:reference>/hand-over/", batches.hand_over, name="hand_over"),
    path("batches/<str:reference>/sheet/", batches.sheet, name="sheet"),
]
