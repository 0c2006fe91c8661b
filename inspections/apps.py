from django.apps import AppConfig


class InspectionsConfig(AppConfig):
    name = "inspections"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.plumbing.problems import CONSTRAINTS
        from inspections import subscribers
        from inspections.constraints import INSPECTIONS_CONSTRAINTS

        CONSTRAINTS.update(INSPECTIONS_CONSTRAINTS)
        subscribers.register()
