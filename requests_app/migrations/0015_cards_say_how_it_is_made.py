from django.db import migrations, models

from requests_app.cards import card_of


def write_cards(apps, schema_editor):
    """Cards that were written before they said how long a batch takes, with what, and by which way."""
    sheets = apps.get_model("requests_app", "Sheet")
    for sheet in sheets.objects.only("pk", "plan").iterator(chunk_size=200):
        sheet.card = card_of(sheet.plan)
        sheet.save(update_fields=["card"])


class Migration(migrations.Migration):
    dependencies = [("requests_app", "0014_sheets_carry_a_card")]

    operations = [
        migrations.RunPython(write_cards, migrations.RunPython.noop),
        migrations.AddIndex(
            model_name="order",
            index=models.Index(fields=["state", "due_at"], name="order_by_state"),
        ),
    ]
