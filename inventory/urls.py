from django.urls import path

from inventory.views import apparatus, changes, lists, lots, places, stock, stocktakes

app_name = "inventory"
urlpatterns = [
    path("", stock.stock, name="stock"),
    path("places/", places.places, name="places"),
    path("places/conflicts/", places.conflicts, name="storage_conflicts"),
    path("places/<str:code>/", places.place, name="place"),
    path("places/<str:code>/change/", places.change, name="place_change"),
    path("places/<str:code>/in-use/", places.in_use, name="place_in_use"),
    path("places/<str:code>/put/", places.put, name="place_put"),
    path("places/<str:code>/door/", places.door, name="place_door"),
    path("counts/", stocktakes.counts, name="counts"),
    path("counts/<int:number>/", stocktakes.count, name="count"),
    path("counts/<int:number>/lines/<int:line>/undo/", stocktakes.undo, name="count_undo"),
    path("counts/<int:number>/lines/<int:line>/move-here/", stocktakes.move_here, name="count_move_here"),
    path("counts/<int:number>/close/", stocktakes.close, name="count_close"),
    path("counts/<int:number>/give-up/", stocktakes.give_up, name="count_give_up"),
    path("counts/<int:number>/paper/", stocktakes.paper, name="count_paper"),
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
