"""The likeliest cause in a column of its own, and room in the pages of judgements.

The index on an expression of `causes` was written anew with every judgement that changed, and the
other indexes with it: PostgreSQL spares them all where no indexed column changed and the page has
room for the row's next version. Rewrites the table, as the new column does anyhow.
"""

from django.db import migrations, models
from django.db.models.fields.json import KeyTextTransform

OLD = "CREATE INDEX judgement_likeliest_cause ON calibration_judgement ((causes #> ARRAY['0','code']))"
LIKELIEST = KeyTextTransform("code", KeyTextTransform("0", "causes"))


def make_room(apps, schema_editor):
    """Drop the index that looks into the causes, and leave room in pages that are written now."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP INDEX judgement_likeliest_cause")
        schema_editor.execute("ALTER TABLE calibration_judgement SET (fillfactor = 85)")


def fill_up(apps, schema_editor):
    """Take both back."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("ALTER TABLE calibration_judgement RESET (fillfactor)")
        schema_editor.execute(OLD)


class Migration(migrations.Migration):

    dependencies = [("calibration", "0015_nightly_by_dealer")]

    operations = [
        migrations.RunPython(make_room, fill_up),
        migrations.AddField(
            "judgement",
            "likeliest_cause",
            models.GeneratedField(
                expression=LIKELIEST,
                output_field=models.CharField(max_length=40),
                db_persist=True,
            ),
        ),
        migrations.AddIndex(
            "judgement",
            models.Index(
                fields=["likeliest_cause"],
                condition=models.Q(likeliest_cause__isnull=False),
                name="judgement_cause",
            ),
        ),
        migrations.AlterField(
            "packedhistory",
            "digests",
            models.BinaryField(
                db_default=models.Value(b""),
                help_text="Of each stored line and judgement, eight bytes each.",
            ),
        ),
    ]
