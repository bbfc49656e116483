from django.urls import path

from inventory.views import apparatus, changes, lists, lots, papers, pouring, stock

app_name = "inventory"
urlpatterns = [
    path("", stock.stock, name="stock"),
    path("places/", lists.places, name="places"),
    path("substances/new/", lists.new_substance, name="substance_new"),
    path("substances/<slug:key>/", stock.substance, name="substance"),
    path("substances/<slug:key>/facts/", papers.facts, name="substance_facts"),
    path("substances/<slug:key>/files/new/", papers.attach_to_substance, name="substance_attach"),
    path("files/<int:file>/", papers.attachment, name="attachment"),
    path("files/<int:file>/withdraw/", papers.withdraw, name="attachment_withdraw"),
    path("waste/", papers.waste, name="waste"),
    path("waste/<int:stream>/in-use/", papers.waste_in_use, name="waste_in_use"),
    path("lots/new/", lots.receive, name="lot_receive"),
    path("lots/move/", pouring.move_several, name="lots_move"),
    path("lots/<str:code>/", lots.lot, name="lot"),
    path("lots/<str:code>/label/", lots.label, name="lot_label"),
    path("lots/<str:code>/opened/", lots.opened, name="lot_opened"),
    path("lots/<str:code>/correct/", changes.correct, name="lot_correct"),
    path("lots/<str:code>/dispose/", changes.dispose, name="lot_dispose"),
    path("lots/<str:code>/return/", changes.give_back, name="lot_return"),
    path("lots/<str:code>/split/", pouring.split, name="lot_split"),
    path("lots/<str:code>/merge/", pouring.merge, name="lot_merge"),
    path("lots/<str:code>/move/", pouring.move, name="lot_move"),
    path("lots/<str:code>/files/new/", papers.attach_to_lot, name="lot_attach"),
    path("lots/<str:code>/state/<str:event>/", changes.state, name="lot_state"),
    path("lots/<str:code>/entries/<int:entry>/reverse/", changes.reverse, name="movement_reverse"),
    path("apparatus/", apparatus.listing, name="apparatus"),
    path("apparatus/new/", apparatus.new, name="apparatus_new"),
    path("apparatus/<int:item>/service/", apparatus.service, name="apparatus_service"),
]
