"""The page in a real browser: its figures beside those of the package, by mouse, keyboard and thumb, offline, on any screen."""

import base64
import io
import json
import shutil

import numpy as np
import pytest
from pypdf import PdfReader

from doe.model import inference
from doe.recommend import desirable, printers
from doe.report import explorer, numbers
from doe.report.page import page, write_page
from tests.report import explored, samples

BROWSER, DRIVER = shutil.which("chromium") or shutil.which("google-chrome"), shutil.which("chromedriver")
try:
    from selenium import webdriver
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys
except ImportError:
    webdriver = None
WHY = "no browser to look with: install Chromium and its driver (Debian: chromium, chromium-driver), and pip install selenium"
pytestmark = [pytest.mark.slow, pytest.mark.browser, pytest.mark.skipif(not (BROWSER and DRIVER and webdriver), reason=WHY)]

SAME = 1e-6
EMPTY = {"title": "", "id": "", "day": ""} | {name: [] for name in ("loud", "facts", "digests", "answer", "sections")}
SET = """
const done = arguments[1];
arguments[0].forEach((place, i) => {
  const slider = document.getElementById("knob" + i);
  const knob = slider || document.querySelector(`input[name=knob${i}][value="${place}"]`);
  if (slider) knob.value = place; else knob.checked = true;
  knob.dispatchEvent(new Event(slider ? "input" : "change"));
});
requestAnimationFrame(() => requestAnimationFrame(() => done({
  needs: [...document.querySelectorAll(".need")].map((one) => ({...one.dataset})),
  total: {...(document.querySelector(".total") || {dataset: {}}).dataset},
  inside: document.querySelector(".place").dataset.inside,
  set: [...document.querySelectorAll("tr[data-printer]")].map((row) => row.querySelector("td").textContent),
})));
"""


@pytest.fixture(scope="module")
def browser():
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--window-size=1300,1000"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    opened = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    yield opened
    opened.quit()


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("page")


@pytest.fixture(scope="module")
def whole(path):
    return _written(path, "whole.html", write_page(explored.inputs(simulated=True)[0]))


def _written(path, name, content):
    (path / name).write_bytes(content)
    return (path / name).as_uri()


def _only_explorer(path, loads):
    inputs, fitted = explored.inputs(loads, simulated=True)
    lines = inputs.chosen.view.lines
    data = explorer.explorer(inputs, fitted, lines)
    return inputs, fitted, data, _written(path, f"explorer-{loads}.html", page({**EMPTY, "simulated": True}, data))


def _screen(browser, width, height, *, mobile=False, dark=False):
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    wanted = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": wanted})


@pytest.mark.parametrize("loads", [8, 3], ids=["Kenward-Roger", "posterior with few loads"])
def test_every_figure_is_that_of_the_package(browser, path, loads):
    inputs, fitted, data, address = _only_explorer(path, loads)
    browser.get(address)
    view, level = inputs.chosen.view, inputs.study.header.confidence
    for places in [data["start"], *explored.settings(data, 30)]:
        shown, coded = browser.execute_async_script(SET, places), explorer._coded(inputs.chosen.area, places)
        for need, one in zip(shown["needs"], fitted, strict=True):
            rows, log = one.data.rows(coded), one.data.response.transform == "log"
            mean, ahead = inference.means(one.inference, rows, level), inference.new_prints(one.inference, rows, level)
            wanted = np.array([mean.estimates[0], mean.low[0], mean.high[0], ahead.low[0], ahead.high[0]])
            found = [float(need[key]) for key in ("mean", "low", "high", "printLow", "printHigh")]
            assert found == pytest.approx((np.exp(wanted) if log else wanted).tolist(), rel=SAME)
        drawn = view.shares(coded)[0].astype(float)
        exact = explorer.shares(view, coded, 2000)
        bound = np.quantile(exact, inputs.chosen.quantile, method="inverted_cdf")
        assert float(shown["total"]["estimate"]) == pytest.approx(np.median(exact), abs=SAME)
        assert float(shown["total"]["bound"]) == pytest.approx(bound, abs=SAME)
        assert float(shown["total"]["estimate"]) == pytest.approx(np.median(drawn), abs=3 * SAME)  # in single precision
        alone = [float(np.median(one.astype(float))) for one in view.by_response(coded).values()]
        assert json.loads(shown["total"]["alone"]) == pytest.approx(alone, abs=3 * SAME)


def test_the_desirability_of_aims_moves_with_the_sliders(browser, path):
    """That of ``doe recommend``: the weighted geometric mean of what the predicted means are worth."""
    inputs, fitted = explored.wished()
    data = explorer.explorer(inputs, fitted, {})
    browser.get(_written(path, "wished.html", page({**EMPTY, "simulated": True}, data)))
    view, area, seen = desirable.wishes(fitted, []), explorer._region(inputs, fitted), []
    for places in [data["start"], *explored.settings(data, 30)]:
        shown, coded = browser.execute_async_script(SET, places), explorer._coded(area, places)
        found = desirable.desirable(view, coded, 0.95)
        assert float(shown["total"]["overall"]) == pytest.approx(found.overall, abs=SAME)
        alone = [float(need["worth"]) for need in shown["needs"]]
        assert alone == pytest.approx([one.desirability for one in found.wishes], abs=SAME)
        seen.append(found.overall)
    assert len({round(one, 6) for one in seen}) > 20
    assert 0 < max(seen) < 1
    start = float(browser.execute_async_script(SET, data["start"])["total"]["overall"])
    assert start == pytest.approx(inputs.recommendation.desirable.overall, abs=SAME)
    assert browser.find_element(By.CSS_SELECTOR, ".total strong").text == f"{start:.2f}"
    browser.find_element(By.ID, "knob0").send_keys(Keys.HOME)
    assert float(browser.find_element(By.CLASS_NAME, "total").get_attribute("data-overall")) != start


def test_it_knows_the_region_and_the_setpoints_of_every_printer(browser, path):
    inputs, _, data, address = _only_explorer(path, 8)
    browser.get(address)
    area, inside = inputs.chosen.area, []
    for places in [data["start"], *explored.settings(data, 30, seed=5)]:
        shown = browser.execute_async_script(SET, places)
        values = [one["values"][at] for one, at in zip(data["factors"], places, strict=True)]
        every = [[axis.value(at) for at in range(len(axis.natural))] for axis in area.axes]
        known = all(value in axis for value, axis in zip(values, every, strict=True))
        allowed = known and bool(area.allows(np.array([[a.index(v) for a, v in zip(every, values, strict=True)]]))[0])
        assert shown["inside"] == str(allowed).lower()
        inside.append(allowed)
        setting = {factor.name: value for factor, value in zip(inputs.study.factors, values, strict=True)}
        rows, _ = printers.printer_rows(inputs.study, inputs.chosen.view.printers, setting, inputs.chosen.view.lines)
        for cell, row in zip(shown["set"], rows, strict=True):
            nozzle = row["setpoints"]["nozzle_temperature"]
            assert cell == ("beyond its checks" if nozzle is None else numbers.setting(nozzle))
    assert {True, False} == set(inside)


def test_the_first_screen_says_what_the_report_says(browser, whole):
    _screen(browser, 1300, 1000)
    browser.get(whole)
    inputs, _ = explored.inputs(simulated=True)
    share = inputs.recommendation.conformance
    text = browser.find_element(By.CSS_SELECTOR, ".total p").text.replace("\u00a0", " ")
    assert numbers.percent(share.estimate) in text
    assert f"at least {numbers.percent_bound(share.lower)}" in text
    assert browser.find_element(By.CLASS_NAME, "place").text == "This is the recommended setting."
    assert browser.find_element(By.CLASS_NAME, "ribbon").is_displayed()
    said = browser.find_element(By.ID, "content").text
    assert "let them cool" in said
    assert len(browser.find_elements(By.CSS_SELECTOR, "figure img[alt]")) >= 1
    drawn = "return [...document.images].every((one) => one.complete && one.naturalWidth > 0 && one.alt)"
    assert browser.execute_script(drawn)


def _value(browser, place):
    return browser.find_element(By.CSS_SELECTOR, f"output[for=knob{place}]").text.replace("\u00a0", " ")


def test_sliders_move_by_keys_by_mouse_and_by_steps(browser, whole):
    _screen(browser, 1300, 1000)
    browser.get(whole)
    first, before = browser.find_element(By.ID, "knob0"), browser.find_element(By.CLASS_NAME, "need").get_attribute("data-mean")
    first.send_keys(Keys.HOME)
    assert _value(browser, 0) == "255 °C"
    first.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert _value(browser, 0) == "257 °C"
    assert first.get_attribute("aria-valuetext").replace("\u00a0", " ") == "257 °C"
    assert browser.find_element(By.CLASS_NAME, "need").get_attribute("data-mean") != before
    middle = webdriver.ActionChains(browser).move_to_element(first)  # the middle of the rail is the middle of the range
    middle.click().perform()
    assert _value(browser, 0) == "270 °C"
    webdriver.ActionChains(browser).move_to_element(first).click_and_hold().move_by_offset(500, 0).release().perform()
    assert _value(browser, 0) == "285 °C"
    browser.find_element(By.CSS_SELECTOR, "button[aria-label='Lower drying time']").click()
    wanted = {one.factor: one.value for one in explored.inputs(simulated=True)[0].recommendation.settings}
    assert _value(browser, 2) == f"{wanted['drying_time'] - 0.5:g} h"
    radio = browser.find_elements(By.CSS_SELECTOR, "input[name=knob3]")[0]
    radio.send_keys(Keys.SPACE)
    radio.send_keys(Keys.ARROW_DOWN)
    assert browser.execute_script("return document.querySelector('input[name=knob3]:checked').value") == "1"
    browser.find_element(By.CLASS_NAME, "back").click()
    assert browser.find_element(By.CLASS_NAME, "place").text == "This is the recommended setting."
    assert _value(browser, 0) == f"{wanted['nozzle_temperature']:g} °C"


def test_every_control_is_reached_with_the_tab_key(browser, whole):
    _screen(browser, 1300, 1000)
    browser.get(whole)
    browser.execute_script("[...document.querySelectorAll('nav a')].at(-1).focus()")
    reached = []
    for _ in range(20):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        reached.append(browser.execute_script("const at = document.activeElement; return at.id || at.name || at.className"))
    assert {"knob0", "knob1", "knob2", "knob3", "back"} <= set(reached)


def test_nothing_leaves_the_page_and_nothing_is_complained_of(browser, whole):
    browser.get_log("browser"), browser.get_log("performance")
    browser.get(whole)
    browser.find_element(By.ID, "knob0").send_keys(Keys.END)
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [one["params"]["request"]["url"] for one in events if one["method"] == "Network.requestWillBeSent"]
    assert asked
    assert [url for url in asked if not url.startswith("data:")] == [whole]
    assert browser.get_log("browser") == []
    fetched = "const done = arguments[0]; fetch('http://127.0.0.1:9/').then(() => done('sent'), () => done('refused'))"
    assert browser.execute_async_script(fetched) == "refused"
    assert any("Content Security Policy" in entry["message"] for entry in browser.get_log("browser"))


@pytest.mark.parametrize(("width", "dark"), [(360, False), (360, True), (800, False), (1300, True)])
def test_it_fits_every_screen_and_obeys_light_and_dark(browser, whole, width, dark):
    _screen(browser, width, 740, mobile=width == 360, dark=dark)
    browser.get(whole)
    assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    light = browser.execute_script("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert light != dark
    heights = "return [...document.querySelectorAll('.card button, .rail')].map((one) => one.getBoundingClientRect().height)"
    assert min(browser.execute_script(heights)) >= 44  # CSS pixels, the size of a target (WCAG 2.2, 2.5.5, from memory)


def test_it_prints_with_its_label_on_every_sheet(browser, whole):
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    browser.get(whole)
    made = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "pageRanges": "1-6"})
    sheets = [sheet.extract_text() for sheet in PdfReader(io.BytesIO(base64.b64decode(made["data"]))).pages]
    assert len(sheets) == 6
    assert all("SIMULATED DATA" in sheet for sheet in sheets)
    assert "SIMULATED DATA: no print was made" in sheets[0]


def test_markup_in_a_study_is_shown_and_does_nothing(browser, path):
    evil = "</script><script>document.title='run'</script><b>bold</b> #strong[x] =1+1"
    made = samples.inputs(samples.study(title=evil, material=evil))
    browser.get(_written(path, "evil.html", write_page(made)))
    assert browser.find_element(By.TAG_NAME, "h1").text == evil
    assert f"prints of {evil} meet" in browser.find_element(By.ID, "s1").text
    assert browser.title == f"pa-x-clip: {evil}"
    assert browser.execute_script("return document.querySelectorAll('main b, main script').length") == 0


def test_a_browser_that_computes_otherwise_shows_no_explorer(browser, path):
    data = _only_explorer(path, 8)[2]
    wrong = {**data, "check": {**data["check"], "estimate": data["check"]["estimate"] - 1e-4}}
    browser.get(_written(path, "wrong.html", page({**EMPTY, "simulated": False}, wrong)))
    assert "does not compute what doe computed" in browser.find_element(By.ID, "card").text
    assert browser.find_elements(By.CSS_SELECTOR, "input") == []
