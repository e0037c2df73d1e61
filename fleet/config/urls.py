"""The site's addresses: the admin at the root, the API and the certificates' page beside it."""

from django.contrib import admin
from django.urls import include, path
from django.views.generic import RedirectView

urlpatterns = [
    path("", RedirectView.as_view(pattern_name="admin:index"), name="home"),
    path("admin/", admin.site.urls),
    path("api/", include("api.urls")),
    path("records/", include("api.public")),
]

handler400 = "fleet.config.pages.refused"
handler500 = "fleet.config.pages.failed"
