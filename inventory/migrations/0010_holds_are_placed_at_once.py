"""On PostgreSQL the holds of a call are placed by one function of the database.

It is what ``inventory.ledger.holds`` does step by step elsewhere, with the plans of its statements
kept between calls. Lots are locked in key order before any of them is checked; the insert and the
update then are statements of their own, so they see what was committed while the locks were waited
for. Rows that were placed before under the same key are left out of the answer.
"""

from django.db import migrations

CREATE = """
CREATE FUNCTION inventory_place_holds(
    lots bigint[], amounts bigint[], for_what text, held_by bigint, held_at timestamptz, key text
) RETURNS TABLE (lot bigint, hold bigint) LANGUAGE plpgsql AS $$
DECLARE
    giving bigint;
BEGIN
    SELECT count(*) FILTER (WHERE locked.state = 'available' AND locked.on_hand - locked.held >= locked.amount)
    INTO giving
    FROM (
        SELECT shelf.state, shelf.on_hand, shelf.held, wanted.amount
        FROM inventory_lot AS shelf JOIN unnest(lots, amounts) AS wanted (lot_id, amount) ON wanted.lot_id = shelf.id
        ORDER BY shelf.id
        FOR NO KEY UPDATE OF shelf
    ) AS locked;
    IF giving <> cardinality(lots) THEN
        RETURN;
    END IF;
    RETURN QUERY
    WITH placed AS (
        INSERT INTO inventory_hold
            (lot_id, amount, state, purpose, actor_id, at, closing_reason, idempotency_key)
        SELECT wanted.lot_id, wanted.amount, 'active', for_what, held_by, held_at, '',
            key || '#' || (wanted.position - 1)
        FROM unnest(lots, amounts) WITH ORDINALITY AS wanted (lot_id, amount, position)
        ON CONFLICT (idempotency_key) DO NOTHING
        RETURNING inventory_hold.id, inventory_hold.lot_id, inventory_hold.amount
    )
    UPDATE inventory_lot AS shelf SET held = shelf.held + placed.amount
    FROM placed WHERE shelf.id = placed.lot_id
    RETURNING shelf.id, placed.id;
END
$$;
"""
DROP = "DROP FUNCTION inventory_place_holds(bigint[], bigint[], text, bigint, timestamptz, text);"


def _on_postgres(sql):
    def run(apps, schema_editor):
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(sql)

    return run


class Migration(migrations.Migration):
    dependencies = [("inventory", "0009_apparatus_history_and_bookings")]

    operations = [migrations.RunPython(_on_postgres(CREATE), _on_postgres(DROP))]
