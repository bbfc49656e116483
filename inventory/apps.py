from django.apps import AppConfig


class InventoryConfig(AppConfig):
    name = "inventory"

    def ready(self) -> None:
        # Models are there only now.
        from inventory.importers import register  # noqa: PLC0415
        from inventory.importers.counts import CountImporter  # noqa: PLC0415
        from inventory.importers.lots import LotImporter  # noqa: PLC0415
        from inventory.importers.substances import SubstanceImporter  # noqa: PLC0415

        for importer in (LotImporter(), CountImporter(), SubstanceImporter()):
            register(importer)
