from django.db import migrations

from requests_app.cards import card_of


def write_cards(apps, schema_editor):
    """Sheets that were frozen before they carried one."""
    sheets = apps.get_model("requests_app", "Sheet")
    for sheet in sheets.objects.filter(card={}).iterator(chunk_size=200):
        sheet.card = card_of(sheet.plan)
        sheet.save(update_fields=["card"])


class Migration(migrations.Migration):
    dependencies = [("requests_app", "0013_the_bench_and_the_bottles_that_leave")]

    operations = [migrations.RunPython(write_cards, migrations.RunPython.noop)]
