from django.apps import AppConfig


class PartsConfig(AppConfig):
    name = "parts"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.plumbing import problems
        from parts import subscribers
        from parts.constraints import PARTS_CONSTRAINTS

        problems.CONSTRAINTS.update(PARTS_CONSTRAINTS)
        subscribers.register()
