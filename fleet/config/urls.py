"""The site's addresses: the admin at the root of the desk, the API beside it."""

from django.contrib import admin
from django.urls import include, path
from django.views.generic import RedirectView

urlpatterns = [
    path("", RedirectView.as_view(pattern_name="admin:index"), name="home"),
    path("admin/", admin.site.urls),
    path("api/", include("api.urls")),
]
