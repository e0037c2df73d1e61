"""Records of one sensor that name the same moment follow each other as they were recorded."""

from django.db import migrations, models
from django.db.models import Count
from django.utils import timezone


def judge_anew(apps, schema_editor):
    """Have sensors judged again that have such records: their order may be another one now."""
    Calibration = apps.get_model("calibration", "Calibration")
    tied = (
        Calibration.objects.order_by()
        .values("sensor", "performed_at", "stage")
        .annotate(times=Count("pk"))
        .filter(times__gt=1)
    )
    sensors = sorted({row["sensor"] for row in tied})
    PackedHistory = apps.get_model("calibration", "PackedHistory")
    StaleSensor = apps.get_model("calibration", "StaleSensor")
    now = timezone.now()
    for first in range(0, len(sensors), 500):
        some = sensors[first : first + 500]
        PackedHistory.objects.filter(sensor__in=some).delete()
        StaleSensor.objects.bulk_create(
            [StaleSensor(sensor_id=key, since=now, why="order of its records") for key in some],
            ignore_conflicts=True,
        )


class Migration(migrations.Migration):

    dependencies = [("calibration", "0009_causes")]

    operations = [
        migrations.RemoveIndex(model_name="calibration", name="calibration_history"),
        migrations.AddIndex(
            model_name="calibration",
            index=models.Index(
                fields=["sensor", "performed_at", "stage", "chain_number"],
                name="calibration_in_time",
            ),
        ),
        migrations.RunPython(judge_anew, migrations.RunPython.noop),
    ]
