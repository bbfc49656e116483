from django.urls import path

from inventory.views import apparatus, changes, lists, lots, stock

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
    path("apparatus/<int:item>/service/", apparatus.service, name="apparatus_service"),
]
