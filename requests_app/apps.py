from django.apps import AppConfig


class RequestsConfig(AppConfig):
    name = "requests_app"
    verbose_name = "orders and batches"

    def ready(self) -> None:
        # Models are there only now.
        from inventory.importers import register  # noqa: PLC0415
        from inventory.services import listen_to_lost_apparatus  # noqa: PLC0415
        from requests_app.services.apparatus_lost import tell_makers  # noqa: PLC0415
        from requests_app.term_plan_import import TermPlanImporter  # noqa: PLC0415
        from requests_app.timetable_import import TimetableImporter  # noqa: PLC0415

        listen_to_lost_apparatus(tell_makers)
        register(TimetableImporter())
        register(TermPlanImporter())
