"""The page kept on a phone: only by TLS, nothing in it to order, and never without its age."""

import json
import os
import re
import shutil
import time
from xml.etree import ElementTree as ET

import pytest

from controller.phone.access import COOKIE
from controller.phone.door import source_of
from tests.phone.conftest import ACCEPTED, request, served, status_for

CHROMIUM = os.environ.get("RIMEWARD_CHROMIUM") or shutil.which("chromium")
ROUTES = ("/manifest.json", "/icon.svg", "/worker.js", "/kept")


@pytest.fixture
def by_tls(page):
    page.secure = True
    page.__post_init__()
    return page


def test_nothing_of_it_is_offered_in_the_open(page, drive):
    page.hear(status_for(drive))
    assert [request(page.app, path=path).status for path in ROUTES] == [404] * 4
    assert "<link" not in request(page.app).text


def test_the_manifest_has_what_browsers_ask_for_before_they_install(by_tls):
    """The members are those of the W3C's Web Application Manifest, section 1."""
    assert '<link rel="manifest" href="/manifest.json">' in request(by_tls.app).text
    answer = request(by_tls.app, path="/manifest.json")
    assert answer.headers["content-type"].startswith("application/manifest+json")
    manifest = json.loads(answer.text)
    assert manifest["name"] == by_tls.screen.site.title
    assert manifest["display"] == "standalone"
    (icon,) = manifest["icons"]
    drawn = request(by_tls.app, path=icon["src"])
    assert drawn.headers["content-type"].startswith(icon["type"])
    assert ET.fromstring(drawn.text).tag == "{http://www.w3.org/2000/svg}svg"


def test_what_is_kept_has_nothing_to_order_and_no_token(by_tls, drive):
    by_tls.hear(status_for(drive))
    answer = request(by_tls.app, path="/kept")
    assert "The trees are safe" in answer.text
    assert not re.search("<form|<input|<button|<select", answer.text)
    assert source_of(by_tls.screen.page.kept_script) in answer.headers["content-security-policy"]
    assert "worker-src 'self'" in answer.headers["content-security-policy"]


def test_who_is_not_logged_in_is_given_nothing_to_keep(by_tls, drive):
    by_tls.hear(status_for(drive))
    by_tls.store.set_password("satsumas in snow")
    answer = request(by_tls.app, path="/kept", headers={"Cookie": f"{COOKIE}=guessed"})
    assert answer.status == 401
    assert "The trees are safe" not in answer.text


# Chromium registers no worker from a certificate that it does not trust, and a test must not change what this
# machine trusts: it is told to take any certificate. Whether one is sound is asked in test_tls.
@pytest.fixture
def tab():
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("chromium is not installed: apt-get install chromium")
    with api.sync_playwright() as playwright:
        words = ["--no-sandbox", "--ignore-certificate-errors"]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=words)
        context = browser.new_context(viewport={"width": 360, "height": 740}, ignore_https_errors=True)
        context.set_default_timeout(30_000)
        yield context.new_page()
        browser.close()


HAS_KEPT = "async () => Boolean(await (await caches.open('kept')).match('/kept'))"
KEYS = "async () => (await (await caches.open('kept')).keys()).map((each) => new URL(each.url).pathname)"
THEN = "getComputedStyle(document.querySelector('.headline'), '::before').content"


def wait_until_kept(tab, *, kept):
    """Wait until the worker has kept the page, or forgotten it."""
    ends_s = time.monotonic() + 20.0
    while tab.evaluate(HAS_KEPT) is not kept:
        assert time.monotonic() < ends_s
        tab.wait_for_timeout(50)


@pytest.mark.timeout(180)
def test_when_the_network_goes_what_was_kept_says_its_age_and_takes_no_order(
    by_tls, drive, tab, yard_certificate
):
    by_tls.guard_says = ACCEPTED
    by_tls.hear(status_for(drive))
    _, chain, key = yard_certificate
    complaints = []
    tab.on("console", lambda message: complaints.append(message.text))
    with served(by_tls, chain, key) as address:
        tab.goto(address)
        wait_until_kept(tab, kept=True)
        assert complaints == []
        with tab.expect_navigation():
            tab.get_by_role("button", name="HEAT ALL").click()
        assert len(by_tls.published) == 1
        assert "Done: Heat everything." in tab.inner_text("#said")
        assert tab.evaluate(KEYS) == ["/kept"], "nothing else is kept, and no order"
    tab.goto(address)
    age = tab.locator("#age")
    assert re.search(r"No contact .*\. What stands below is \d+ s old\.", age.inner_text())
    assert "Nothing can be ordered from here" in age.inner_text()
    assert "17:03: " in tab.evaluate(THEN)
    assert "The trees are safe" in tab.inner_text("#say")
    assert tab.locator("form, button, input, select").count() == 0
    if os.environ.get("RIMEWARD_SHOTS"):
        tab.screenshot(path=f"{os.environ['RIMEWARD_SHOTS']}/kept.png", full_page=True)
    back = "() => { document.getElementById('age').dataset.kept = String(Date.now() - 3 * 3600e3) }"
    tab.evaluate(back)
    tab.evaluate(f"() => {{ {by_tls.screen.page.kept_script} }}")
    assert "3 h old" in age.inner_text()
    assert len(by_tls.published) == 1, "nothing was sent again"


@pytest.mark.timeout(180)
def test_logging_out_forgets_what_was_kept(by_tls, drive, tab, yard_certificate):
    by_tls.hear(status_for(drive))
    by_tls.store.set_password("satsumas in snow")
    _, chain, key = yard_certificate
    with served(by_tls, chain, key) as address:
        tab.goto(address)
        tab.fill("#who", "Nora")
        tab.fill("#password", "satsumas in snow")
        with tab.expect_navigation():
            tab.get_by_role("button", name="Let me in").click()
        wait_until_kept(tab, kept=True)
        with tab.expect_navigation():
            tab.get_by_role("button", name="Log out", exact=True).click()
        wait_until_kept(tab, kept=False)
