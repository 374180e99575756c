"""Makes the pictures of the README from the demo, with their words; two runs give the same files.

    python notebooks/pictures.py [NAME ...]

Each PNG carries its alternative text, so that a test can tell whether it is still true. The page
of the phone is taken in Chromium (with chromedriver), the rest is drawn by `doughlab.report`.
"""

import asyncio
import html
import io
import re
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from PIL.PngImagePlugin import PngInfo

HERE = Path(__file__).parent
FOLDER = HERE / "pictures"
README = HERE.parent / "README.md"
DOTS = 200  # to the inch
COLOURS = 96  # of the palette: small files, and letters that stay sharp
AT = "2026-03-05T11:36:00-05:00"  # the bench of the demo, on a day of reading
BALL, TYPED = "B06-4", ("5,74", "5.75", "5,73")


def means() -> tuple[str, Callable[[], bytes]]:
    """Raw balls, batch means and the mean of each water."""
    from doughlab.notebook import analyse_demo
    from doughlab.report import picture_means

    picture = picture_means(analyse_demo("ph"), "water")
    answer = picture.caption.split(" Drawn:")[0]
    return f"{answer} {picture.alt}", lambda: draw(picture.fig)


def window() -> tuple[str, Callable[[], bytes]]:
    """The pH against the hours of the hold, with the window."""
    from doughlab.decision.chance import tenths
    from doughlab.notebook import decide_demo
    from doughlab.report import plot_window

    decision = decide_demo()
    course, hold = decision.hours, decision.recommended["hold"]
    share, low, high = (tenths(v) for v in decision.chance)
    leaves = str(course.closes)
    leaves = f"at {leaves}" if leaves[0].isdigit() else leaves
    words = (
        f"Held longer, the pH of {course.setting['water']} dough falls: on average it enters the "
        f"window {decision.window.text} at {course.opens} and leaves it {leaves}. At {hold} h "
        f"{share} of 10 new balls are inside ({low} to {high})."
    )
    return words, lambda: draw(plot_window(decision).figure)


def month() -> tuple[str, Callable[[], bytes]]:
    """A month of daily lots, with a cooler that fails at its end."""
    from doughlab.daily import find_standing, read_daily, read_recipe
    from doughlab.notebook import open_demo
    from doughlab.report import picture_daily

    demo = open_demo()
    recipe = read_recipe(demo.folder)
    standing = find_standing(recipe, read_daily(demo.folder))
    picture = picture_daily(recipe, standing, show=demo.settings.show_temperature)
    return f"{picture.caption} {picture.alt}", lambda: draw(picture.fig)


def phone() -> tuple[str, Callable[[], bytes]]:
    """The page at the bench, with a reading that is being typed in."""
    from doughlab.notebook import open_demo

    ball = open_demo().frozen_plan.ball(BALL)
    words = (
        f"The page at the bench on a phone: ball {BALL} of batch {ball['batch_id']}, held "
        f"{ball['hold_h']:g} h. Three readings of its pH are typed in, {'; '.join(TYPED)}; a comma "
        "is taken as a point. Below, the views Today, Ball, Judge and More."
    )
    return words, photograph


WIDTHS = {"means": 400, "window": 400, "month": 400, "phone": 240}
PICTURES = {f.__name__: f for f in (means, window, month, phone)}


def draw(figure) -> bytes:
    """Draw a figure in the style of the house."""
    from doughlab.report import use_style

    buffer = io.BytesIO()
    with use_style():
        figure.savefig(buffer, format="png", dpi=DOTS, metadata={"Software": None})
    return buffer.getvalue()


def shrink(data: bytes, words: str) -> bytes:
    """Reduce a picture to a palette and write its alternative text into it."""
    image = Image.open(io.BytesIO(data)).convert("RGB")
    image = image.quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    said = PngInfo()
    said.add_itxt("Description", words)
    buffer = io.BytesIO()
    image.save(buffer, format="PNG", optimize=True, pnginfo=said)
    return buffer.getvalue()


def tag(name: str, words: str) -> str:
    """Write the picture as the README shows it: side by side where there is room."""
    said = html.escape(words)
    return f'<img src="notebooks/pictures/{name}.png" width="{WIDTHS[name]}" alt="{said}">'


def put_into_readme(name: str, words: str) -> None:
    """Bring the line of a picture in the README up to date."""
    line = re.compile(rf'^<img src="notebooks/pictures/{name}\.png".*$', re.MULTILINE)
    text = README.read_text(encoding="utf-8")
    README.write_text(line.sub(lambda _: tag(name, words), text), encoding="utf-8", newline="\n")


@contextmanager
def bench_page():
    """Serve a copy of the demo as its bench stood at a time; give the address."""
    import tornado.httpserver
    import tornado.netutil

    from doughlab.notebook import open_bench
    from doughlab.record.bench import build_app
    from doughlab.record.bench_address import Address

    bench = open_bench(AT)
    (socket,) = tornado.netutil.bind_sockets(0, "127.0.0.1")
    address = Address(("127.0.0.1",), socket.getsockname()[1], "k" * 16)
    loop = asyncio.new_event_loop()

    async def serve() -> None:
        tornado.httpserver.HTTPServer(build_app(bench, address)).add_sockets([socket])

    thread = threading.Thread(target=lambda: (loop.run_until_complete(serve()), loop.run_forever()))
    thread.start()
    yield address.urls[0]
    loop.call_soon_threadsafe(loop.stop)
    thread.join()
    shutil.rmtree(bench.folder.parent)


def still(take: Callable[[], bytes]) -> bytes:
    """Take pictures until three in a row are alike: nothing fades or blinks any more."""
    last: list[bytes] = []
    for _ in range(50):
        last = [*last[-2:], take()]
        if len(last) == 3 and len(set(last)) == 1:
            return last[0]
        time.sleep(0.3)
    raise RuntimeError("the page does not come to rest")


def photograph() -> bytes:
    """Take the page of a phone in Chromium."""
    from selenium import webdriver
    from selenium.webdriver.common.by import By
    from selenium.webdriver.support.ui import WebDriverWait

    with tempfile.TemporaryDirectory() as profile, bench_page() as url:
        options = webdriver.ChromeOptions()
        for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                     f"--user-data-dir={profile}"):  # fmt: skip
            options.add_argument(flag)
        screen = {"width": 390, "height": 780, "pixelRatio": 2.0, "touch": True}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": screen})
        options.binary_location = shutil.which("chromium")
        service = webdriver.ChromeService(shutil.which("chromedriver"))
        driver = webdriver.Chrome(options=options, service=service)
        try:
            wait = WebDriverWait(driver, 20)

            def press(words: str) -> None:
                script = (
                    "const b = [...document.querySelectorAll('nav button, main button')]"
                    ".find(e => e.innerText.trim().startsWith(arguments[0]));"
                    "if (b) b.click(); return !!b;"
                )
                wait.until(lambda d: d.execute_script(script, words))

            driver.get(url)
            wait.until(lambda d: "Whose phone" in d.find_element(By.TAG_NAME, "main").text)
            press("J1")
            wait.until(lambda d: d.find_elements(By.CSS_SELECTOR, 'nav button[data-view="ball"]'))
            driver.find_element(By.CSS_SELECTOR, 'nav button[data-view="ball"]').click()
            for words in (BALL.split("-")[0], BALL, "Read pH"):
                press(words)
            for number, value in enumerate(TYPED, start=1):
                field = wait.until(lambda d, n=number: d.find_element(By.ID, f"f-ph-{n}"))
                field.send_keys(value)
            driver.execute_script("document.activeElement.blur(); window.scrollTo(0, 0);")
            return still(driver.get_screenshot_as_png)
        finally:
            driver.quit()


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name in sys.argv[1:] or PICTURES:
        words, taken = PICTURES[name]()
        path = FOLDER / f"{name}.png"
        path.write_bytes(shrink(taken(), words))
        put_into_readme(name, words)
        print(f"{path.name}: {words}")
