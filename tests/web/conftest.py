from __future__ import annotations

from typing import Any

import pytest

from fleet.models import (
    Pump,
    PumpModel,
    Site,
    User,
)
from fleet.roles import Role
from parts.models import Part, Store
from parts.services import catalogue, stock
from tests.factories import (
    make_issued_sheet,
    make_model,
    make_person,
    make_pump,
    make_site,
    manager_of,
)
from tests.web.bench import Bench, make_bench


@pytest.fixture
def bench(db: Any) -> Bench:
    return make_bench()


@pytest.fixture
def site(db: Any) -> Site:
    return make_site("harbour-yard", "Harbour Yard")


@pytest.fixture
def pump(site: Site) -> Pump:
    return make_pump(site, tag="HY-001")


@pytest.fixture
def clerk(site: Site) -> User:
    return make_person(site, Role.STORES_CLERK, full_name="Tess Quarles")


@pytest.fixture
def model() -> PumpModel:
    model = make_model()
    make_issued_sheet(model)
    return model


@pytest.fixture
def kit(site: Site, model: PumpModel) -> Part:
    """The seal kit, which renews the seals; a strip-down always asks for it."""
    part = catalogue.add_part(
        actor=manager_of(site), number="SK-232", name="Seal kit", unit="kit", is_kit=True
    )
    catalogue.set_fit(actor=manager_of(site), model=model, component="seals", part=part)
    return part


@pytest.fixture
def store(site: Site, clerk: User) -> Store:
    return stock.open_store(actor=clerk, site=site)


@pytest.fixture
def bush(site: Site, model: PumpModel) -> Part:
    part = catalogue.add_part(actor=manager_of(site), number="BU-20", name="Bush 20 x 24")
    catalogue.set_fit(
        actor=manager_of(site), model=model, component="bushes", part=part, quantity=4
    )
    return part
