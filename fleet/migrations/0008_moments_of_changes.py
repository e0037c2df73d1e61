"""On SQLite, the moments of changes that triggers wrote with milliseconds, as Django writes them.

Text is compared with text: `12:00:00.500` is not found by `12:00:00.500000`. The moments stay the
same. The seal of the table is lifted for this one statement, and put on again as it was.
"""

from django.db import migrations

SEAL = "fleet_change_no_update"


def write_out(apps, schema_editor):
    if schema_editor.connection.vendor != "sqlite":
        return
    with schema_editor.connection.cursor() as cursor:
        cursor.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger' AND name = %s", [SEAL])
        seals = [sql for (sql,) in cursor.fetchall()]
        cursor.execute(f"DROP TRIGGER IF EXISTS {SEAL}")
        cursor.execute(
            "UPDATE fleet_change SET at = replace(at || '000', '.000000', '') "
            "WHERE at LIKE '%.___'"
        )
        for seal in seals:
            cursor.execute(seal)


class Migration(migrations.Migration):

    dependencies = [
        ("fleet", "0007_search"),
    ]

    operations = [
        migrations.RunPython(write_out, migrations.RunPython.noop, elidable=True),
    ]
