"""An index for the likeliest cause, on PostgreSQL: of a million verdicts few name one."""

from django.db import migrations

# Of all rows, also of the many without a cause: of a part, PostgreSQL would not count the causes,
# take each for common, and read every record instead.
MAKE = """
CREATE INDEX judgement_likeliest_cause ON calibration_judgement ((causes #> ARRAY['0','code']))
"""


def make(apps, schema_editor):
    """Make the index."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(MAKE)


def remove(apps, schema_editor):
    """Remove it."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP INDEX judgement_likeliest_cause")


class Migration(migrations.Migration):

    dependencies = [("calibration", "0008_notes")]

    operations = [migrations.RunPython(make, remove)]
