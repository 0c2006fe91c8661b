"""manage.py relay: hands due deliveries to the workers until it is told to stop."""

from __future__ import annotations

import signal
from typing import Any

from celery import current_app
from django.core.management.base import BaseCommand

from fleet.plumbing.relay import Relay
from fleet.plumbing.tasks import send_delivery

# The relay only sends, and a row that could not be sent stays due. So it does not wait for a
# broker that is away (the client would, for several seconds): it must be able to stop in 2 s.
GIVE_UP_AT_ONCE = {"max_retries": 0, "socket_connect_timeout": 1.0, "socket_timeout": 1.0}


class Command(BaseCommand):
    help = "Hands due deliveries of the outbox to the workers."

    def handle(self, *args: Any, **options: Any) -> None:
        current_app.conf.broker_transport_options = {
            **current_app.conf.broker_transport_options,
            **GIVE_UP_AT_ONCE,
        }
        relay = Relay(send_delivery)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: relay.stop())
        self.stdout.write("Relay runs.")
        self.stdout.flush()
        relay.run()
