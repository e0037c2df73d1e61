import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

OLD = "It was uploaded before files were kept on disk. Upload it again."


def in_the_new_words(apps, schema_editor):
    """Give runs that are there the states of today; what they stored stays stored."""
    runs = apps.get_model("calibration", "ImportRun").objects
    for run in runs.defer("content").iterator():
        result = dict(run.result or {})
        names = result.pop("created_names", {})
        result["names"] = {kind: some[:20] for kind, some in names.items()}
        reasons = result.pop("reasons", [])
        run.check_result = result if run.status != "refused" else None
        if run.status == "committed":
            run.status, run.commit_result = "done", result
        else:
            said = [reason["reason"] for reason in reasons[:20]] if run.status == "refused" else []
            run.status, run.reason = "failed", "\n".join(said) or OLD
        run.save(update_fields=["status", "check_result", "commit_result", "reason"])


def sizes(apps, schema_editor):
    """Note how large the files were that go."""
    runs = apps.get_model("calibration", "ImportRun").objects
    for run in runs.only("pk", "content").iterator(chunk_size=1):
        runs.filter(pk=run.pk).update(size=len(run.content))


STATUSES = [
    ("received", "received, waiting for the worker"),
    ("checking", "being checked"),
    ("checked", "checked, nothing stored yet"),
    ("committing", "being stored"),
    ("done", "stored"),
    ("failed", "failed"),
    ("cancelled", "cancelled"),
]
STEPS = [
    ("reading", "reading rows"),
    ("checking", "checking records"),
    ("storing", "storing records"),
    ("judging", "judging sensors"),
]


def added(name, field):
    return migrations.AddField("importrun", name, field)


class Migration(migrations.Migration):

    dependencies = [
        ("calibration", "0006_triage"),
        ("fleet", "0007_search"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        added("size", models.PositiveBigIntegerField(default=0, help_text="Bytes.")),
        migrations.RenameField("importrun", "content_digest", "sha256"),
        migrations.AlterField(
            "importrun", "sha256", models.CharField(db_index=True, max_length=64)
        ),
        migrations.AlterField(
            "importrun",
            "status",
            models.CharField(choices=STATUSES, default="received", max_length=10),
        ),
        added("step", models.CharField(blank=True, choices=STEPS, max_length=8)),
        added("done", models.PositiveIntegerField(default=0)),
        added(
            "total",
            models.PositiveIntegerField(default=0, help_text="0 while nobody knows."),
        ),
        added("attempt", models.PositiveSmallIntegerField(default=0)),
        added("claimed_by", models.CharField(blank=True, max_length=80)),
        added("lease_until", models.DateTimeField(blank=True, null=True)),
        added("check_result", models.JSONField(blank=True, null=True)),
        added("commit_result", models.JSONField(blank=True, null=True)),
        added("reason", models.TextField(blank=True, help_text="Why it failed.")),
        added("checked_at", models.DateTimeField(blank=True, null=True)),
        added(
            "committed_by",
            models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.RunPython(sizes, migrations.RunPython.noop),
        migrations.RunPython(in_the_new_words, migrations.RunPython.noop),
        migrations.RemoveField("importrun", "content"),
        migrations.RemoveField("importrun", "result"),
        migrations.CreateModel(
            name="ImportRowOutcome",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("stage", models.CharField(choices=[("check", "checked"), ("commit", "committed")], max_length=6)),
                ("row", models.PositiveIntegerField(help_text="Row of the file, the header counted.")),
                ("number", models.PositiveSmallIntegerField(default=0, help_text="Of several reasons.")),
                ("outcome", models.CharField(choices=[("accepted", "accepted"), ("refused", "refused")], max_length=8)),
                ("already_there", models.BooleanField(default=False)),
                ("record", models.UUIDField(help_text="The record that the row is part of.")),
                ("record_id", models.CharField(blank=True, max_length=200)),
                ("column", models.CharField(blank=True, max_length=40)),
                ("value", models.CharField(blank=True, max_length=80)),
                ("reason", models.TextField(blank=True)),
                ("accepted", models.TextField(blank=True, help_text="What would be accepted.")),
                ("run", models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name="rows", to="calibration.importrun")),
            ],
            options={
                "ordering": ("row", "number", "pk"),
                "indexes": [
                    models.Index(
                        fields=("run", "stage", "outcome", "row", "number", "id"),
                        name="import_rows_in_order",
                    )
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("run", "stage", "row", "number"), name="import_row_once"
                    )
                ],
            },
        ),
    ]
