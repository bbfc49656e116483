from django.urls import URLPattern, path

from requests_app.views import batches, queue

app_name = "requests_app"
urlpatterns: list[URLPattern] = [
    path("queue/", queue.queue, name="queue"),
    path("batches/<str:reference>/", batches.batch, name="batch"),
    path("batches/<str:reference>/claim/", batches.claim, name="claim"),
    path("batches/<str:reference>/put-back/", batches.put_back, name="put_back"),
    path("batches/<str:reference>/steps/<int:number>/", batches.step, name="step"),
    path("batches/<str:reference>/finish/", batches.finish, name="finish"),
    path("batches/<str:reference>/hand-over/", batches.hand_over, name="hand_over"),
    path("batches/<str:reference>/sheet/", batches.sheet, name="sheet"),
]
