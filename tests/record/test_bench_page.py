"""The page at the bench in a real browser (Debian's Chromium without a screen), at phone size.

What a cook sees and taps: kept on the phone without a server or wifi, sent once, refused values
put back beside their field.
"""

import csv
import json
import shutil
import time
from contextlib import contextmanager
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
import segno
from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By

from .bench_server import Server, wait_until

FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-sync "
    "--disable-background-networking --disable-component-update --disable-dev-shm-usage"
)
PHONE = {"deviceMetrics": {"width": 390, "height": 844, "pixelRatio": 2.0, "touch": True}}


def open_browser(profile, device=PHONE):
    options = Options()
    for flag in [*FLAGS.split(), f"--user-data-dir={profile}"]:
        options.add_argument(flag)
    if device:
        options.add_experimental_option("mobileEmulation", device)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    options.binary_location = shutil.which("chromium")
    return webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if not shutil.which("chromium") or not shutil.which("chromedriver"):
        pytest.skip("needs Chromium and its driver; .ci/run installs them and allows no skip")
    driver = open_browser(tmp_path_factory.mktemp("phone"))
    yield driver
    driver.quit()


class Phone:
    """One page in the browser, used as a cook uses it."""

    def __init__(self, driver, server):
        self.driver, self.server = driver, server
        self.handle = driver.current_window_handle

    def open(self):
        self.driver.get(self.server.url)
        assert wait_until(lambda: self.text("main") != "" and "scripts" not in self.text("main"))
        if "Whose phone is this?" in self.text("main"):  # asked once, then kept
            self.press("ada")
        return self

    def find(self, css):
        self.driver.switch_to.window(self.handle)
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def text(self, css):
        script = "return document.querySelector(arguments[0])?.innerText ?? ''"
        self.driver.switch_to.window(self.handle)
        return self.driver.execute_script(script, css)

    def view(self, name):
        self.find(f'nav button[data-view="{name}"]')[0].click()

    def press(self, words, *, starts=False):
        """Tap the button with these words, found and tapped in one go: the page may redraw."""
        script = (
            "const b = [...document.querySelectorAll('main button, header button')].find(e => "
            "arguments[1] ? e.innerText.trim().startsWith(arguments[0]) "
            ": e.innerText.trim() === arguments[0]); if (b) b.click(); return !!b;"
        )
        self.driver.switch_to.window(self.handle)
        assert wait_until(lambda: self.driver.execute_script(script, words, starts)), words

    def card(self, judge="ada", session="S02"):
        self.view("judge")
        self.press(session, starts=True)
        self.press(judge)
        assert wait_until(lambda: "sample" in self.text("main"))

    def ball(self, name):
        self.view("ball")
        self.press(name.split("-")[0])
        self.press(name, starts=True)
        assert wait_until(lambda: self.text("main h2") == name)

    def reading(self, ball, *values):
        self.ball(ball)
        self.press("Read pH")
        for i, value in enumerate(values, start=1):
            self.find(f"#f-ph-{i}")[0].send_keys(value)

    def save(self):
        self.find("#save")[0].click()

    def offline(self, *, yes):
        self.driver.set_network_conditions(
            offline=yes, latency=0, download_throughput=-1, upload_throughput=-1
        )


@pytest.fixture
def phone(browser, hand):
    hand.mix("B01", "03-02T09:45")
    server = Server(hand.folder).start()
    found = Phone(browser, server).open()
    yield found
    found.offline(yes=False)
    found.driver.execute_script("localStorage.clear()")
    for handle in browser.window_handles[1:]:
        browser.switch_to.window(handle)
        browser.close()
    browser.switch_to.window(browser.window_handles[0])
    browser.get("about:blank")
    if server.process.poll() is None:
        server.kill()


def stored(phone, table="readings"):
    path = phone.server.folder / "record" / f"{table}.csv"
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_reading_with_decimal_commas_is_saved(phone):
    phone.reading("B01-1", "5,41", "5.43", "5,40")
    phone.save()
    assert wait_until(lambda: phone.text("#saved").startswith("saved: B01-1"))
    assert [r["ph"] for r in stored(phone)] == ["5.41", "5.43", "5.4"]
    assert {r["entered_by"] for r in stored(phone)} == {"ada"}  # asked once, when it was opened
    assert phone.text("#waiting") == ""


def test_large_targets_and_letters_and_nothing_wider_than_the_phone(phone):
    for view in ("today", "ball", "judge", "more"):
        phone.view(view)
        time.sleep(0.2)
        sizes = phone.driver.execute_script(
            "return [...document.querySelectorAll('button, input:not([type=file]), select')]"
            ".filter(e => e.offsetParent).map(e => [e.offsetWidth, e.offsetHeight,"
            " parseFloat(getComputedStyle(e).fontSize), e.textContent || e.id])"
        )
        assert sizes and all(w >= 56 and h >= 56 and f >= 24 for w, h, f, _ in sizes), sizes
        wide = phone.driver.execute_script("return document.documentElement.scrollWidth")
        assert wide <= 390
    labelled = phone.driver.execute_script(
        "return [...document.querySelectorAll('input, select')].every(e => e.labels.length === 1)"
    )
    assert labelled


def test_a_value_out_of_range_is_caught_on_the_phone_beside_its_field(phone):
    phone.reading("B01-1", "56,2")
    phone.save()
    assert phone.text("#f-ph-1-wrong") == (
        "56,2 lies outside 4 to 7. A decimal point may be missing: 5.62?"
    )
    assert phone.find("#f-ph-1")[0].get_attribute("aria-invalid") == "true"
    assert phone.driver.execute_script("return document.activeElement.id") == "f-ph-1"
    assert phone.text("#waiting") == "" and not stored(phone)
    phone.find("#f-ph-1")[0].clear()
    phone.find("#f-ph-1")[0].send_keys("5,62")
    phone.save()
    assert wait_until(lambda: [r["ph"] for r in stored(phone)] == ["5.62"])


@contextmanager
def zone_of_phone(driver, name):
    """Set the phone to another time zone, and back to its own."""
    driver.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": name})
    yield
    driver.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": ""})


def test_hours_are_those_of_the_kitchen_whatever_zone_the_phone_is_set_to(phone):
    """Tokyo is 7 or 8 hours ahead of Rome; what is typed or filled in is read as Rome's."""
    with zone_of_phone(phone.driver, "Asia/Tokyo"):
        phone.open()
        phone.view("more")
        phone.press("Mix")
        phone.press("B02")
        phone.press("now")
        filled = phone.find("#f-mixed_at")[0].get_attribute("value")
        rome = datetime.now(ZoneInfo("Europe/Rome"))
        off = (rome.hour * 60 + rome.minute - int(filled[:2]) * 60 - int(filled[3:])) % 1440
        assert off <= 1
        phone.save()
        assert wait_until(lambda: len(stored(phone, "mixes")) == 2)
        at = datetime.fromisoformat(stored(phone, "mixes")[1]["mixed_at"])
        assert abs((at - rome).total_seconds()) < 120
        assert wait_until(lambda: phone.text("#saved").startswith("saved: B02"))
        assert phone.text("#saved")[-5:-3] == f"{rome:%H}" or rome.minute == 59


def test_degrees_of_the_other_kind_are_asked_about(phone):
    path = phone.server.folder / "trial.toml"
    path.write_text(path.read_text() + '\n[units]\ntemperature = "F"\n', encoding="utf-8")
    phone.open()
    phone.reading("B01-1", "5,41")
    phone.find("#f-sample_temp_c")[0].send_keys("20")
    phone.save()
    assert phone.text("#f-sample_temp_c-wrong") == (
        "20 looks like Celsius: 68.0 °F. If so, type 20 C; else 28.4 to 140."
    )
    phone.find("#f-sample_temp_c")[0].send_keys(" C")
    phone.save()
    assert wait_until(lambda: [r["sample_temp_c"] for r in stored(phone)] == ["20"])


def test_what_the_folder_refuses_is_put_back_into_the_form(phone):
    phone.view("more")
    phone.press("Temperature")
    phone.find("#f-about")[0].send_keys("cooler")
    phone.find("#f-temp_c")[0].send_keys("39")
    phone.save()
    assert wait_until(lambda: "looks like 39 °F" in phone.text("main"))
    assert phone.text("#look") == "not saved, needs a look: 1"
    assert phone.find("#f-temp_c")[0].get_attribute("value") == "39"
    assert phone.find("#f-about")[0].get_attribute("value") == "cooler"
    phone.find("#f-temp_c")[0].send_keys(" F")
    phone.save()
    assert wait_until(lambda: [r["temp_c"][:4] for r in stored(phone, "temperatures")] == ["3.88"])
    assert wait_until(lambda: phone.text("#look") == "")


def test_without_wifi_it_waits_on_the_phone_and_goes_by_itself_later(phone):
    phone.reading("B01-1", "5.41")
    phone.offline(yes=True)
    phone.save()
    assert wait_until(
        lambda: phone.text("#waiting").startswith(
            "saved on the phone, will be sent: 1 (no connection). It stays here when the page is "
            "closed"
        )
    )
    assert phone.text("#saved") == "" and not stored(phone)
    phone.offline(yes=False)
    assert wait_until(lambda: phone.text("#waiting") == "", seconds=15)
    assert [r["ph"] for r in stored(phone)] == ["5.41"]
    assert phone.text("#saved").startswith("saved: B01-1")


def test_a_killed_server_and_a_reload_lose_nothing(phone):
    phone.reading("B01-1", "5.41")
    phone.server.kill()
    phone.save()
    assert wait_until(lambda: "saved on the phone" in phone.text("#waiting"))
    phone.reading_kept = json.loads(
        phone.driver.execute_script("return JSON.stringify(Object.entries(localStorage))")
    )
    assert any(".waiting." in key for key, _ in phone.reading_kept)
    phone.open()  # from what the phone keeps: no server answers
    assert wait_until(lambda: "will be sent: 1 (no connection)" in phone.text("#waiting"))
    phone.server.start()
    phone.open()  # the tab was closed in between
    assert wait_until(lambda: phone.text("#waiting") == "", seconds=15)
    assert [r["ph"] for r in stored(phone)] == ["5.41"]


def test_a_double_tap_stores_once(phone):
    phone.reading("B01-1", "5.41")
    phone.driver.execute_script("const b = document.getElementById('save'); b.click(); b.click();")
    assert wait_until(lambda: phone.text("#saved").startswith("saved"))
    time.sleep(0.5)
    assert len(stored(phone)) == 1


def test_the_same_answer_lost_on_the_way_back_stores_once(phone):
    """The server stores, its answer never arrives, the phone sends again."""
    phone.reading("B01-1", "5.41")
    phone.driver.execute_script(
        "const real = window.fetch; let lost = 0; window.fetch = async (path, given) => {"
        " const answer = await real(path, given); if (given?.method === 'POST' && !lost++)"
        " throw new TypeError('lost'); return answer; };"
    )
    phone.save()
    assert wait_until(lambda: "(no connection)" in phone.text("#waiting"))
    again(phone)
    assert wait_until(lambda: phone.text("#waiting") == "", seconds=15)
    assert len(stored(phone)) == 1


def test_two_pages_at_once_keep_each_others_entries(phone):
    phone.driver.switch_to.new_window("tab")
    other = Phone(phone.driver, phone.server).open()
    other.driver.execute_script("window.fetch = () => Promise.reject(new TypeError('no wifi'))")
    other.view("more")
    other.press("Temperature")
    other.find("#f-about")[0].send_keys("cooler")
    other.find("#f-temp_c")[0].send_keys("3.6")
    other.save()
    assert wait_until(lambda: "will be sent: 1" in other.text("#waiting"))
    phone.reading("B01-1", "5.50")
    phone.save()
    assert wait_until(lambda: stored(phone) and stored(phone, "temperatures"), seconds=15)
    time.sleep(0.5)
    assert [r["ph"] for r in stored(phone)] == ["5.5"]
    assert [r["temp_c"] for r in stored(phone, "temperatures")] == ["3.6"]
    assert wait_until(lambda: other.text("#waiting") == "", seconds=15)


def test_a_judge_sees_codes_and_scores_without_a_ball_on_the_screen(phone):
    phone.card()
    first = phone.find("main li button")[0]
    code = first.text.split()[2]
    first.click()
    assert wait_until(lambda: phone.find("#f-crust"))
    phone.save()
    assert phone.text("#f-crust-wrong") == "Still empty."  # an empty card is not sent
    for criterion, value in (("crust", "7"), ("crumb", "6,5")):
        phone.find(f"#f-{criterion}")[0].send_keys(value)
    phone.save()
    assert wait_until(lambda: len(stored(phone, "scores")) == 2)
    assert {r["blind_code"] for r in stored(phone, "scores")} == {code}
    assert wait_until(lambda: f"sample {code} (scored)" in phone.text("main"))
    assert "B0" not in phone.text("main") + phone.text("header")


def test_a_judge_is_asked_once_about_allergies_and_consent(phone):
    phone.card()
    assert wait_until(lambda: "Asked once, before the first sample" in phone.text("main"))
    assert "The samples contain wheat. Allergic to any of it" in phone.text("main")
    phone.press("Write it down")
    assert not phone.find("#f-about")  # the judge is the one of the card
    phone.find("#f-note")[0].send_keys("no allergies")
    phone.save()
    assert wait_until(lambda: len(stored(phone, "notes")) == 1)
    row = stored(phone, "notes")[0]
    assert (row["about"], row["kind"], row["note"]) == ("ada", "consent", "no allergies")
    assert wait_until(lambda: "sample" in phone.text("main"))
    assert "Asked once" not in phone.text("main")


def test_taking_back_asks_why_and_keeps_the_history(phone):
    phone.reading("B01-1", "5.41")
    phone.save()
    assert wait_until(lambda: phone.text("#saved").startswith("saved"))
    phone.view("more")
    assert wait_until(lambda: phone.find("main li button"))
    phone.find("main li button")[0].click()
    phone.find("#reason")[0].send_keys("wrong ball")
    phone.press("Take it back")
    assert wait_until(lambda: phone.text("#saved").startswith("taken back"))
    rows = stored(phone)
    assert [(r["action"], r["reason"]) for r in rows] == [("add", ""), ("void", "wrong ball")]


def test_markup_in_a_note_stays_text_on_the_page(phone):
    phone.view("more")
    phone.press("Note")
    phone.find("#f-about")[0].send_keys("B01")
    phone.find("#f-note")[0].send_keys("<img src=x onerror=document.title='hit'>")
    phone.save()
    assert wait_until(lambda: phone.text("#saved").startswith("saved"))
    phone.view("more")
    assert phone.driver.title == "TW bench"
    assert not phone.find("main img")


def again(phone):
    """Let the phone try once more at once, as it does when the wifi is back."""
    phone.driver.execute_script("window.dispatchEvent(new Event('online'))")


def test_a_photo_waits_while_the_folder_cannot_take_it_and_arrives(phone, tmp_path):
    Image.new("RGB", (4, 4), (128, 128, 128)).save(tmp_path / "crumb.png")
    photos = phone.server.folder / "record/photos"
    photos.write_text("in the way")
    phone.ball("B01-3")
    phone.find("#photo")[0].send_keys(str(tmp_path / "crumb.png"))
    assert wait_until(lambda: "Nothing was stored" in phone.text("#waiting"))
    assert "will be sent: 1" in phone.text("#waiting") and phone.text("#look") == ""
    photos.unlink()
    again(phone)
    assert wait_until(lambda: len(stored(phone, "notes")) == 1)
    name = stored(phone, "notes")[0]["note"]
    assert (phone.server.folder / name).read_bytes().startswith(b"\xff\xd8\xff")


def test_the_page_says_nothing_to_the_console_and_asks_nobody_else(phone):
    phone.driver.get_log("browser")  # what earlier pages said, offline on purpose
    phone.open()
    for view in ("today", "ball", "judge", "more"):
        phone.view(view)
        time.sleep(0.2)
    assert not [e for e in phone.driver.get_log("browser") if "favicon" not in e["message"]]
    asked = phone.driver.execute_script(
        "return performance.getEntriesByType('resource').map(e => e.name)"
    )
    assert asked and all(name.startswith(phone.server.origin) for name in asked)


def test_an_entry_that_the_server_chokes_on_stops_no_other(phone):
    """The server's answer is replaced by a failure for every request that holds the bad note."""
    phone.offline(yes=True)
    phone.view("more")
    phone.press("Note")
    phone.find("#f-about")[0].send_keys("B01")
    phone.find("#f-note")[0].send_keys("poison")
    phone.save()
    assert wait_until(lambda: "will be sent: 1" in phone.text("#waiting"))
    phone.reading("B01-1", "5.41")
    phone.save()
    assert wait_until(lambda: "will be sent: 2" in phone.text("#waiting"))
    phone.driver.execute_script(
        "const real = window.fetch; window.fetch = (path, given) => (given?.body ?? '').includes?.("
        "'poison') ? Promise.resolve(new Response('{}', {status: 500})) : real(path, given);"
    )
    phone.offline(yes=False)
    again(phone)
    assert wait_until(lambda: [r["ph"] for r in stored(phone)] == ["5.41"])
    assert wait_until(lambda: phone.text("#look") == "not saved, needs a look: 1")
    assert phone.text("#waiting") == "" and not stored(phone, "notes")


def test_a_second_value_asks_why_in_view_and_is_taken_with_the_answer(phone):
    for core in ("18", "19"):
        phone.ball("B01-3")
        phone.press("Bake")
        phone.find("#f-core_temp_c")[0].send_keys(core)
        phone.save()
        assert wait_until(lambda: phone.text("#saved") or phone.find("#f-reason"))
        if core == "18":
            assert wait_until(lambda: not phone.find("#save"))
    assert "is 18 °C already. To change it, say why" in phone.text("#f-reason-wrong")
    box = "const r = document.getElementById('f-reason').getBoundingClientRect(); const v = "
    box += "document.getElementById('view').getBoundingClientRect(); return r.top > v.top && "
    assert phone.driver.execute_script(f"{box} r.bottom < v.bottom")
    phone.find("#f-reason")[0].send_keys("misread")
    phone.save()
    assert wait_until(lambda: [r["reason"] for r in stored(phone, "bakes")] == ["", "misread"])
    assert wait_until(lambda: phone.text("#look") == "")


def test_what_waits_is_handed_over_to_another_address_and_stored_once(phone):
    phone.reading("B01-1", "5.41")
    phone.server.kill()
    phone.save()
    assert wait_until(lambda: "will be sent: 1 (no connection)" in phone.text("#waiting"))
    moved = Server(phone.server.folder).start()
    try:
        assert moved.port != phone.server.port
        phone.press("Hand them over")
        assert wait_until(lambda: phone.find("#to"))
        phone.find("#to")[0].send_keys(f"{moved.url}\n")
        assert wait_until(lambda: [r["ph"] for r in stored(phone)] == ["5.41"])
        assert phone.driver.current_url == moved.url  # the address holds no entry any more
        assert wait_until(lambda: "Taken over from the other address: 1." in phone.text("main"))
    finally:
        moved.kill()


def test_photos_that_wait_are_handed_over_too_and_leave_the_old_page_then(phone, tmp_path):
    """The page at the new address asks for them; a page that was not opened so is given none."""
    Image.new("RGB", (40, 30), (90, 80, 70)).save(tmp_path / "crumb.jpg")
    phone.reading("B01-1", "5.41")
    phone.server.kill()
    phone.save()
    phone.ball("B01-3")
    phone.find("#photo")[0].send_keys(str(tmp_path / "crumb.jpg"))
    assert wait_until(lambda: "will be sent: 2 (no connection)" in phone.text("#waiting"))
    moved = Server(phone.server.folder).start()
    try:
        phone.press("Hand them over")
        assert wait_until(lambda: "Here wait 1 entry and 1 photo." in phone.text("main"))
        phone.find("#to")[0].send_keys(f"{moved.url}\n")
        assert wait_until(lambda: len(stored(phone, "notes")) == 1)
        assert wait_until(lambda: [r["ph"] for r in stored(phone)] == ["5.41"])
        name = stored(phone, "notes")[0]["note"]
        assert (phone.server.folder / name).read_bytes().startswith(b"\xff\xd8\xff")
        assert wait_until(lambda: "The photos are over: 1." in phone.text("main"))
        assert wait_until(lambda: phone.text("#waiting") == "")  # the entry left it as well
        (other,) = [h for h in phone.driver.window_handles if h != phone.handle]
        phone.driver.switch_to.window(other)
        taken = "return document.querySelector('main').innerText"
        assert wait_until(
            lambda: "Photos taken over: 1 of 1." in phone.driver.execute_script(taken)
        )
        seen = phone.driver.execute_script(taken)
        phone.driver.execute_script(  # not from the page that opened it
            "postMessage({photos: [{id: 'photo-9999', about: 'B01', blob: new Blob(['x'])}]})"
        )
        time.sleep(0.3)
        assert phone.driver.execute_script(taken) == seen
        assert len(list((phone.server.folder / "record/photos").iterdir())) == 1
    finally:
        moved.kill()


def test_the_ball_is_known_from_a_photo_of_its_label(phone, tmp_path):
    segno.make("TW/B02-3", micro=False, error="h").save(tmp_path / "label.png", scale=10, border=4)
    phone.view("ball")
    phone.find("#label")[0].send_keys(str(tmp_path / "label.png"))
    assert wait_until(lambda: phone.text("main h2") == "B02-3")
    Image.new("RGB", (300, 300), (90, 90, 90)).save(tmp_path / "label.png")
    phone.view("ball")
    phone.find("#label")[0].send_keys(str(tmp_path / "label.png"))
    assert wait_until(lambda: "No code was found in the photo" in phone.text("#scan-wrong"))


def test_half_typed_numbers_stay_on_the_phone_until_they_are_saved(phone):
    """Two of three readings typed; Ball, Today, a reload and another ball come in between."""
    phone.reading("B01-1", "5,41", "5.43")
    phone.reading("B02-1", "5.7")
    phone.view("today")
    assert "not saved yet: Read pH B01-1, typed " in phone.text("main")
    phone.open()
    phone.press("not saved yet: Read pH B01-1", starts=True)
    shown = [phone.find(f"#f-ph-{i}")[0].get_attribute("value") for i in (1, 2, 3)]
    assert shown == ["5,41", "5.43", ""]
    assert phone.text("#draft").startswith("Typed ") and not stored(phone)
    phone.find("#f-ph-3")[0].send_keys("5.42")
    phone.save()
    assert wait_until(lambda: [r["ph"] for r in stored(phone)] == ["5.41", "5.43", "5.42"])
    assert wait_until(lambda: "not saved yet: Read pH B02-1" in phone.text("main"))
    assert "B01-1, typed" not in phone.text("main")
    phone.reading("B02-1")
    phone.press("Start anew")
    assert phone.find("#f-ph-1")[0].get_attribute("value") == ""
    phone.view("today")
    assert wait_until(lambda: "not saved yet" not in phone.text("main"))
    assert len(stored(phone)) == 3


def test_fields_that_may_need_a_minus_or_a_letter_get_the_whole_keyboard(phone):
    """Nor is the way to the buffers long: the card that asks for them leads there."""
    phone.press("Buffers")
    assert phone.text("main h2") == "Buffers"
    modes = phone.driver.execute_script(
        "return Object.fromEntries([...document.querySelectorAll('main input')]"
        ".map(e => [e.name, e.inputMode]))"
    )
    assert modes["buffer#7"] == modes["temp_c"] == "text"
    assert modes["slope_pct"] == "decimal"
