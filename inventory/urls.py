from django.urls import path

from inventory.views import apparatus, changes, files, imports, lists, lots, stock

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
    path("files/", files.index, name="files"),
    path("files/out/<str:what>.<str:form>", files.take_out, name="file_out"),
    path("files/ledger/", files.ledger, name="file_ledger"),
    path("files/in/<slug:kind>/", imports.bring, name="file_in"),
    path("files/in/<slug:kind>/template.<str:form>", imports.template, name="file_template"),
    path("files/imports/<int:run>/", imports.run, name="import_run"),
    path("files/imports/<int:run>/rows.csv", imports.rows, name="import_rows"),
    path("files/imports/<int:run>/confirm/", imports.confirm, name="import_confirm"),
    path("files/imports/<int:run>/again/", imports.again, name="import_again"),
    path("files/imports/<int:run>/drop/", imports.drop, name="import_drop"),
    path("apparatus/", apparatus.listing, name="apparatus"),
    path("apparatus/new/", apparatus.new, name="apparatus_new"),
    path("apparatus/<int:item>/service/", apparatus.service, name="apparatus_service"),
]
