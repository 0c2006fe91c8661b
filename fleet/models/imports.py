"""Files that wait to be imported."""

from __future__ import annotations

from django.db import models

from fleet.models.people import Site, User
from fleet.plumbing.scoping import SiteScopedQuerySet


class ImportDraftQuerySet(SiteScopedQuerySet["ImportDraft"]):
    pass


class ImportDraft(models.Model):
    """A file that was read and tried, waiting to be taken over as a whole."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=20)
    file_name = models.CharField(max_length=200)
    content = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()
    applied_at = models.DateTimeField(null=True)

    objects = ImportDraftQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.file_name
