from django.urls import path

from prepdesk.reports import views

app_name = "reports"
urlpatterns = [
    path("", views.use, name="use"),
    path("use.csv", views.use_csv, name="use_csv"),
    path("waste.csv", views.waste_csv, name="waste_csv"),
    path("went-wrong.csv", views.mishaps_csv, name="mishaps_csv"),
]
