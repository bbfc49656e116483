"""On PostgreSQL the database itself refuses to change or delete an entry of the ledger.

SQLite gets no such trigger: emptying a table between tests is a DELETE there, where PostgreSQL
truncates, which a row trigger does not see.
"""

from django.db import migrations

CREATE = """
CREATE FUNCTION inventory_movement_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'Entries of the ledger are never changed or deleted; post a reversing entry.'
        USING ERRCODE = 'restrict_violation';
END
$$;
CREATE TRIGGER movement_is_append_only BEFORE UPDATE OR DELETE ON inventory_movement
    FOR EACH ROW EXECUTE FUNCTION inventory_movement_is_append_only();
"""
DROP = """
DROP TRIGGER movement_is_append_only ON inventory_movement;
DROP FUNCTION inventory_movement_is_append_only();
"""


def _on_postgres(sql):
    def run(apps, schema_editor):
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(sql)

    return run


class Migration(migrations.Migration):
    dependencies = [("inventory", "0002_hold_says_who_closed_it")]

    operations = [migrations.RunPython(_on_postgres(CREATE), _on_postgres(DROP))]
