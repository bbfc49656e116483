"""On PostgreSQL the holds of a call are placed by one function of the database.

It does what ``inventory.ledger.holds`` does step by step elsewhere, with the plans of its statements
kept between calls. All lots are locked, in key order, before any of them is judged; what comes after
are statements of their own, so they see what was committed while the locks were waited for. When a lot
is short, stopped or missing, or a row is already there under the key, nothing is changed and the answer
is NULL: the caller finds out why. A call that shares only some keys with an earlier one takes back the
rows it made itself.
"""

from django.db import migrations

CREATE = """
CREATE FUNCTION inventory_place_holds(
    lots bigint[], amounts bigint[], for_what text, held_by bigint, held_at timestamptz, key text
) RETURNS bigint[] LANGUAGE plpgsql AS $$
DECLARE
    wanted_lots CONSTANT integer := cardinality(lots);
    giving_lots integer;
    made bigint[];
BEGIN
    SELECT count(*) FILTER (WHERE locked.state = 'available' AND locked.on_hand - locked.held >= locked.amount)
    INTO giving_lots
    FROM (
        SELECT lot.state, lot.on_hand, lot.held, wanted.amount
        FROM inventory_lot AS lot JOIN unnest(lots, amounts) AS wanted (lot_id, amount) ON wanted.lot_id = lot.id
        ORDER BY lot.id
        FOR NO KEY UPDATE OF lot
    ) AS locked;
    IF giving_lots < wanted_lots THEN
        RETURN NULL;
    END IF;
    WITH placed AS (
        INSERT INTO inventory_hold
            (lot_id, amount, state, purpose, actor_id, at, closing_reason, idempotency_key)
        SELECT wanted.lot_id, wanted.amount, 'active', for_what, held_by, held_at, '',
            key || '#' || (wanted.position - 1)
        FROM unnest(lots, amounts) WITH ORDINALITY AS wanted (lot_id, amount, position)
        ON CONFLICT (idempotency_key) DO NOTHING
        RETURNING id, lot_id
    )
    SELECT array_agg(placed.id ORDER BY placed.lot_id) INTO made FROM placed;
    IF made IS NULL OR cardinality(made) < wanted_lots THEN
        DELETE FROM inventory_hold WHERE id = ANY (made);
        RETURN NULL;
    END IF;
    UPDATE inventory_lot AS lot SET held = lot.held + wanted.amount
    FROM unnest(lots, amounts) AS wanted (lot_id, amount) WHERE lot.id = wanted.lot_id;
    RETURN made;
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
