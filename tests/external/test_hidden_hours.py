"""What hours that nobody knows may hide, against plain sums and the package uncertainties.

References: numpy on every member by itself; uncertainties 3.2; scipy 1.17 (mean of a lognormal
factor). JCGM 100:2008, 5.1.2: independent contributions add in squares.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import lognorm, uniform
from uncertainties import ufloat

from monitor.metrics import priors
from monitor.metrics.boundary import promised_recipe, recipe
from monitor.metrics.daily import day_frame
from monitor.metrics.hidden import Hidden, hidden
from monitor.metrics.model import EnergyModel, energy_model
from monitor.metrics.site_weather import site_weather
from monitor.metrics.uncertainty import HeatMeterUse, WholeSpf, combined, spf_components
from monitor.models import Boundary
from tests.monitor.homes import home
from tests.monitor.linear_home import BEGIN, Home, frames_of, outdoor_of, site_of

pytestmark = pytest.mark.external


def test_the_spf_of_all_hours_is_that_of_each_member_filled_day_by_day() -> None:
    rng = np.random.default_rng(1)
    heat, used = rng.uniform(0.5, 3.0, (50, 10)), rng.uniform(0.3, 1.0, (50, 10))
    first = (date(2024, 1, 10) - date(1970, 1, 1)).days
    missing = np.array([0, 24, 5, 0, 0, 1, 24, 0, 0, 12])
    # Of the 66 hours that no day knows the window knows six: a bridge across a midnight.
    found = Hidden(first, heat, used).whole(300.0, 100.0, first + np.arange(10), missing, 60)
    assert found is not None
    hours = missing * 60 / 66
    spf, share = [], []
    for member in range(50):
        more = sum(used[member, d] * hours[d] for d in range(10))
        spf.append((300.0 + sum(heat[member, d] * hours[d] for d in range(10))) / (100.0 + more))
        share.append(more / (100.0 + more))
    assert found.spf == pytest.approx(np.mean(spf), rel=1e-12)
    assert found.share == pytest.approx(np.mean(share), rel=1e-12)
    # Spread and distance together: the second moment about what is known.
    assert found.rms**2 == pytest.approx(np.var(spf) + (np.mean(spf) - 3.0) ** 2, rel=1e-9)


def test_it_stands_in_the_budget_as_one_more_independent_quantity() -> None:
    site = home({"role": "heat_total"}, {"role": "elec_unit"})
    lines = spf_components(
        site,
        recipe(site, Boundary.H2),
        streams={"heat_total": 10_500.0, "elec_unit": 3_500.0},
        edges={"heat_total": 0.0, "elec_unit": 0.0},
        missing_share=0.3,
        daily_spread=0.9,
        use=HeatMeterUse(5.0, None, recorded=False),
        whole=WholeSpf(spf=2.9, rms=0.15, share=0.2),
    )
    q, e = (ufloat(1.0, float(uniform(-a, 2 * a).std())) for a in (0.0544, 0.02))
    theirs = 10_500.0 * q / (3_500.0 * e) + ufloat(0.0, 0.15)
    assert combined(lines) == pytest.approx(theirs.s, rel=1e-9)


def test_days_are_drawn_about_what_the_energy_model_expects_of_their_weather() -> None:
    it = Home()
    site = site_of(it, 3.0)
    terms = site.current_terms
    assert terms is not None
    days = day_frame(site, promised_recipe(site, terms), *frames_of(it))
    found = hidden(site, days, site_weather(site), BEGIN + timedelta(days=it.days))
    model = energy_model(site, days)
    assert found is not None
    assert isinstance(model, EnergyModel)
    assert found.first == (BEGIN.date() - date(1970, 1, 1)).days
    expected = model.expected_heat(outdoor_of(it))
    cold = expected > 3.0 * model.base_kwh
    ratio = found.heat[:, cold].mean(axis=0) * 24.0 / expected[cold]
    # Space heat goes with one lognormal factor a member; 200 members know its mean to
    # 0.09/sqrt(200), of which four are allowed.
    factor = lognorm(s=priors.HEAT_SPREAD)
    assert ratio.mean() == pytest.approx(factor.mean(), abs=4.0 * factor.std() / 200**0.5)
    season = found.heat[:, cold].sum(axis=1)
    assert season.std() / season.mean() == pytest.approx(factor.std(), rel=0.25)
