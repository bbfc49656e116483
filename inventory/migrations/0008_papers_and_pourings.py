"""Papers of bottles and substances, and bottles poured into one another.

What is poured adds nothing to the stock. On PostgreSQL the database itself sees to that at the end of
each transaction: the rows of one pouring add up to zero, and they are undone together or not at all.
SQLite can't wait for the end of a transaction with a check; there ``verify_stock`` finds it.
"""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


CREATE = """
CREATE FUNCTION inventory_pouring_adds_nothing() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    undone varchar;
BEGIN
    IF NEW.pouring <> '' AND (
        SELECT sum(amount) FROM inventory_movement WHERE pouring = NEW.pouring AND pouring <> ''
    ) <> 0 THEN
        RAISE EXCEPTION 'The rows of one pouring must add up to zero.' USING ERRCODE = 'check_violation';
    END IF;
    IF NEW.reverses_id IS NOT NULL THEN
        SELECT pouring INTO undone FROM inventory_movement WHERE id = NEW.reverses_id;
        IF undone <> '' AND EXISTS (
            SELECT 1 FROM inventory_movement poured
            WHERE poured.pouring = undone AND poured.pouring <> '' AND NOT EXISTS (
                SELECT 1 FROM inventory_movement back WHERE back.reverses_id = poured.id
            )
        ) THEN
            RAISE EXCEPTION 'A pouring is undone as a whole or not at all.'
                USING ERRCODE = 'check_violation';
        END IF;
    END IF;
    RETURN NULL;
END
$$;
CREATE CONSTRAINT TRIGGER movement_pouring_adds_nothing AFTER INSERT ON inventory_movement
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW
    WHEN (NEW.pouring <> '' OR NEW.reverses_id IS NOT NULL)
    EXECUTE FUNCTION inventory_pouring_adds_nothing();
"""
DROP = """
DROP TRIGGER movement_pouring_adds_nothing ON inventory_movement;
DROP FUNCTION inventory_pouring_adds_nothing();
"""


def _on_postgres(sql):
    def run(apps, schema_editor):
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(sql)

    return run


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0007_lots_places_and_apparatus_say_more'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Attachment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('certificate', 'Certificate of analysis'), ('safety', 'Safety data sheet'), ('other', 'Other')], max_length=12)),
                ('name', models.CharField(max_length=160)),
                ('content_type', models.CharField(max_length=20)),
                ('size', models.PositiveIntegerField()),
                ('sha256', models.CharField(max_length=64)),
                ('stored_as', models.CharField(max_length=80, unique=True)),
                ('added_at', models.DateTimeField(auto_now_add=True)),
                ('withdrawn_at', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_reason', models.CharField(blank=True, max_length=300)),
                ('idempotency_key', models.CharField(max_length=120, unique=True)),
            ],
            options={
                'ordering': ['kind', 'id'],
            },
        ),
        migrations.CreateModel(
            name='SubstanceEvent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('event', models.CharField(max_length=20)),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('reason', models.CharField(blank=True, max_length=1200)),
                ('idempotency_key', models.CharField(blank=True, max_length=120, null=True, unique=True)),
            ],
            options={
                'ordering': ['id'],
            },
        ),
        migrations.AddField(
            model_name='place',
            name='idempotency_key',
            field=models.CharField(blank=True, max_length=120, null=True, unique=True),
        ),
        migrations.AddField(
            model_name='substance',
            name='idempotency_key',
            field=models.CharField(blank=True, max_length=120, null=True, unique=True),
        ),
        migrations.AddField(
            model_name='wastestream',
            name='idempotency_key',
            field=models.CharField(blank=True, max_length=120, null=True, unique=True),
        ),
        migrations.AddIndex(
            model_name='movement',
            index=models.Index(condition=models.Q(('pouring', ''), _negated=True), fields=['pouring'], name='movement_by_pouring'),
        ),
        migrations.AddConstraint(
            model_name='movement',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(models.Q(('kind', 'poured'), _negated=True), ('pouring', '')), models.Q(('kind__in', ('poured', 'reversed')), models.Q(('pouring', ''), _negated=True)), _connector='OR'), name='movement_poured_belongs_together'),
        ),
        migrations.AddField(
            model_name='attachment',
            name='added_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='attachment',
            name='lot',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='attachments', to='inventory.lot'),
        ),
        migrations.AddField(
            model_name='attachment',
            name='substance',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='attachments', to='inventory.substance'),
        ),
        migrations.AddField(
            model_name='attachment',
            name='withdrawn_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='substanceevent',
            name='actor',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='substanceevent',
            name='substance',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='events', to='inventory.substance'),
        ),
        migrations.AddConstraint(
            model_name='attachment',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('lot', None), ('substance__isnull', False)), models.Q(('lot__isnull', False), ('substance', None)), _connector='OR'), name='attachment_of_one_thing'),
        ),
        migrations.AddConstraint(
            model_name='attachment',
            constraint=models.UniqueConstraint(condition=models.Q(('withdrawn_at', None)), fields=('lot', 'sha256'), name='attachment_once_on_lot'),
        ),
        migrations.AddConstraint(
            model_name='attachment',
            constraint=models.UniqueConstraint(condition=models.Q(('withdrawn_at', None)), fields=('substance', 'sha256'), name='attachment_once_on_substance'),
        ),
        migrations.RunPython(_on_postgres(CREATE), _on_postgres(DROP)),
    ]
