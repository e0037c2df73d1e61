"""What customers and machines are searched by, in small letters; filled for those that are there."""

from django.db import migrations

import fleet.models.folded

AT_ONCE = 2000


def fold(apps, schema_editor):
    for name in ("Customer", "Machine"):
        rows = apps.get_model("fleet", name).objects
        field = rows.model._meta.get_field("search")
        last = 0
        while some := list(rows.filter(pk__gt=last).order_by("pk")[:AT_ONCE]):
            for row in some:
                row.search = field.value_of(row)
            rows.bulk_update(some, ["search"])
            last = some[-1].pk


class Migration(migrations.Migration):

    dependencies = [
        ("fleet", "0006_planning"),
    ]

    operations = [
        migrations.AddField(
            model_name="customer",
            name="search",
            field=fleet.models.folded.FoldedText("name"),
        ),
        migrations.AddField(
            model_name="machine",
            name="search",
            field=fleet.models.folded.FoldedText("serial", "name"),
        ),
        migrations.RunPython(fold, migrations.RunPython.noop, elidable=True),
    ]
