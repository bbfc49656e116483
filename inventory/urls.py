from django.urls import path

from inventory.views import apparatus, apparatus_changes, changes, lists, lots, stock

app_name = "inventory"
urlpatterns = [
    path("", stock.stock, name="stock"),
    path("places/", lists.places, name="places"),
    path("substances/new/", lists.new_substance, name="substance_new"),
    path("substances/<slug:key>/", stock.substance, name="substance"),
    path("lots/new/", lots.receive, name="lot_receive"),
    path("lots/<str:code>/", lots.lot, name="lot"),
    path("lots/<str:code>/label/", lots.label, name="lot_label"),
    path("lots/<str:code>/opened/", lots.opened, name="lot_opened"),
    path("lots/<str:code>/correct/", changes.correct, name="lot_correct"),
    path("lots/<str:code>/dispose/", changes.dispose, name="lot_dispose"),
    path("lots/<str:code>/state/<str:event>/", changes.state, name="lot_state"),
    path("lots/<str:code>/entries/<int:entry>/reverse/", changes.reverse, name="movement_reverse"),
    path("apparatus/", apparatus.listing, name="apparatus"),
    path("apparatus/new/", apparatus.new, name="apparatus_new"),
    path("apparatus/day/", apparatus.day, name="apparatus_day"),
    path("apparatus/<str:code>/", apparatus.one, name="apparatus_item"),
    path("apparatus/<str:code>/facts/", apparatus_changes.facts, name="apparatus_facts"),
    path("apparatus/<str:code>/count/", apparatus_changes.count, name="apparatus_count"),
    path("apparatus/<str:code>/calibration/", apparatus_changes.calibration, name="apparatus_calibration"),
    path("apparatus/<str:code>/service/", apparatus_changes.service, name="apparatus_service"),
    path("apparatus/<str:code>/book/", apparatus_changes.book, name="apparatus_book"),
    path(
        "apparatus/<str:code>/bookings/<int:booking>/cancel/",
        apparatus_changes.cancel,
        name="apparatus_booking_cancel",
    ),
]
