from django.contrib.auth.views import LogoutView
from django.urls import path

from prepdesk.accounts import views

app_name = "accounts"
urlpatterns = [
    path("sign-in/", views.SignInView.as_view(), name="sign_in"),
    path("sign-out/", LogoutView.as_view(), name="sign_out"),
    path("me/", views.me, name="me"),
    path("me/mail/", views.choose_mail, name="choose_mail"),
    path("me/calendar/", views.calendar_make, name="calendar_make"),
    path("me/calendar/end/", views.calendar_end, name="calendar_end"),
    path("notices/", views.notices, name="notices"),
    path("notices/read/", views.notices_read, name="notices_read"),
    path("notices/<int:notice_id>/read/", views.notice_read, name="notice_read"),
    path("me/keys/<int:token_id>/end/", views.end_token, name="end_token"),
]
