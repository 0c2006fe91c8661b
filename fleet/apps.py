from django.apps import AppConfig


class FleetConfig(AppConfig):
    name = "fleet"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.constraints import FLEET_CONSTRAINTS
        from fleet.plumbing import problems

        problems.CONSTRAINTS.update(FLEET_CONSTRAINTS)
