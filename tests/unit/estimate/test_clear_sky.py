"""Clear sky and panel: closed forms and published single values."""

import numpy as np
import pytest

from campledger.estimate.clear_sky import (
    ClearSky,
    airmass,
    cell_temperature,
    haurwitz,
    ineichen,
    linke_turbidity,
    panel_normal,
    panel_power,
    plane_irradiance,
    sun_vector,
)

NEW_YEAR = 1704067200.0


def test_haurwitz_at_four_heights():
    # facts S5-07, pvlib 0.16.1; whole numbers must not truncate
    found = haurwitz(np.array([0, 30, 60, 75]))
    assert found == pytest.approx([1035.1, 888.3, 487.9, 226.3], abs=0.2)
    assert haurwitz(np.array([95.0]))[0] == 0


def test_airmass_of_kasten_and_young():
    # Kasten and Young 1989, Table II: 1.0 at 90 deg, 1.993 at 30, 37.92 at 0
    assert airmass(np.array([0.0, 60.0])) == pytest.approx([1.0, 1.993], abs=0.002)
    assert airmass(np.array([89.99]))[0] == pytest.approx(38, abs=0.5)
    assert np.isnan(airmass(np.array([91.0]))[0])


def test_flat_panel_sees_the_zenith_angle():
    # facts S5-11
    sun = sun_vector(np.array([40.0]), np.array([123.0]))
    angle = np.degrees(np.arccos(sun @ panel_normal(0.0, 77.0)))
    assert angle[0] == pytest.approx(40.0, abs=1e-9)  # same algebra


def test_incidence_angle_of_the_nrel_report():
    # facts S5-02: NREL/TP-560-34302, slope 30, surface azimuth 170: 25.187 deg
    sun = sun_vector(np.array([50.11162]), np.array([194.34024]))
    angle = np.degrees(np.arccos(sun @ panel_normal(30.0, 170.0)))
    assert angle[0] == pytest.approx(25.187, abs=0.001)


def test_panel_facing_the_sun_takes_the_whole_beam():
    sky = ClearSky(ghi=np.array([500.0]), dni=np.array([900.0]), dhi=np.array([0.0]))
    sun = sun_vector(np.array([60.0]), np.array([90.0]))
    flat = plane_irradiance(sky, sun, panel_normal(0.0, 0.0))
    faced = plane_irradiance(sky, sun, panel_normal(60.0, 90.0))
    assert flat[0] == pytest.approx(450.0)
    assert faced[0] == pytest.approx(900 + 500 * 0.2 * 0.25)  # and the ground


def test_cell_temperature_and_power():
    # facts S5-17, S5-18, S5-20
    g, air = np.array([1000.0]), np.array([35.0])
    assert cell_temperature(g, air)[0] == pytest.approx(66.25, abs=0.01)
    found = panel_power(200.0, np.array([800.0]), np.array([55.0]))
    assert found[0] == pytest.approx(140.8, abs=0.01)


def test_sky_parts_add_up_and_night_is_dark():
    zenith = np.array([20.0, 60.0, 85.0, 89.9, 90.0, 120.0])
    sky = ineichen(np.full(6, NEW_YEAR), zenith, 3.0)
    beam = sky.dni * np.maximum(np.cos(np.radians(zenith)), 0)
    assert sky.ghi == pytest.approx(beam + sky.dhi, abs=1e-9)  # same algebra
    assert sky.ghi[4:] == pytest.approx(0)
    assert (sky.dni >= 0).all()


def test_haze_and_height():
    sky = [ineichen(np.array([NEW_YEAR]), np.array([40.0]), t) for t in (2.0, 5.0)]
    assert sky[0].dni > sky[1].dni
    high = ineichen(np.array([NEW_YEAR]), np.array([40.0]), 3.0, altitude=1500.0)
    low = ineichen(np.array([NEW_YEAR]), np.array([40.0]), 3.0)
    assert high.ghi > low.ghi


def test_turbidity_follows_season_and_latitude():
    july = NEW_YEAR + 196 * 86400
    assert linke_turbidity(july, 45.0) > linke_turbidity(NEW_YEAR, 45.0)
    assert 1.8 < linke_turbidity(NEW_YEAR, -89.0) < 3.0
    assert linke_turbidity(NEW_YEAR, 5.0) == pytest.approx(3.7, abs=0.2)
