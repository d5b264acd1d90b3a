"""Uses the page as a person does, in a real Chromium, and prints what was seen: one JSON document a line.

usage: desk.py ADDRESS DIRECTORY      the screenshots go into the directory
"""

import json
import pathlib
import re
import sys

import axe_playwright_python
from playwright.sync_api import sync_playwright

address, shots = sys.argv[1], pathlib.Path(sys.argv[2])
base = f"http://{address}"
hoist = f"{base}/mechanism/main-hoist"
views = {
    "site": base + "/",
    "life": hoist,
    "work": hoist + "/work",
    "lifts": hoist + "/lifts",
    "whatif": hoist + "/whatif",
    "upkeep": hoist + "/upkeep",
    "warnings": hoist + "/warnings",
    "drive": hoist + "/drive",
}
axe = (pathlib.Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()


def tell(**found):
    print(json.dumps(found), flush=True)


with sync_playwright() as playwright:
    browser = playwright.chromium.launch(
        executable_path="/usr/bin/chromium",
        args=["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
              "--disable-component-update", "--disable-sync"],
    )
    for width, scheme in ((1440, "light"), (390, "light"), (1440, "dark")):
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        for name, place in views.items():
            page = context.new_page()
            errors, outside, bodies = [], [], {}
            page.on("console", lambda m, errors=errors: errors.append(m.text) if m.type in ("error", "warning") else None)
            page.on("pageerror", lambda e, errors=errors: errors.append(str(e)))
            page.on("request", lambda r, outside=outside: outside.append(r.url)
                    if not r.url.startswith((base, "data:")) else None)

            def weigh(response, bodies=bodies):
                if "/events" not in response.url:
                    try:
                        bodies[response.url] = len(response.body())
                    except Exception:
                        pass  # a redirect has none

            page.on("response", weigh)
            paints = []
            for _ in range(3):
                # The stream of live values never ends: the document is what is waited for.
                page.goto(place, wait_until="load")
                painted = None
                while painted is None:
                    # By evaluation: the page's own policy refuses what playwright waits with.
                    painted = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null")
                    page.wait_for_timeout(20)
                paints.append(painted)
            # Wider than the screen is only what scrolls in a frame of its own.
            overhang = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            # By evaluation and not as a script of the page, which the page's own policy would refuse.
            page.evaluate(axe)
            found = page.evaluate("axe.run()")
            serious = [f"{v['id']}: {v['nodes'][0]['html'][:200]}" for v in found["violations"]
                       if v["impact"] in ("serious", "critical")]
            page.screenshot(path=shots / f"{name}-{width}-{scheme}.png", full_page=True)
            tell(view=name, width=width, scheme=scheme, errors=errors, outside=outside, bytes=sum(bodies.values()),
                 paints=paints, overhang=overhang, serious=serious, passed=len(found["passes"]))
            page.close()
        context.close()

    page = browser.new_page(viewport={"width": 1440, "height": 900})

    def table(caption):
        """The cells of the table with this caption, row by row."""
        return page.evaluate(
            """caption => {
                const found = [...document.querySelectorAll('table')].find(t => t.caption.textContent.includes(caption));
                return [...found.querySelectorAll('tbody tr')].map(r => [...r.children].map(c => c.textContent));
            }""",
            caption,
        )

    # By keyboard alone: past the head to the figures.
    page.goto(views["life"])
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    tell(step="keyboard", focus=page.evaluate("document.activeElement.id"))

    # The drawing of the used life as it stands on the screen: the curve's and the forecast's corners, and the scales beside them.
    used = page.evaluate("""() => {
        const svg = [...document.querySelectorAll('#used svg')].find(s => s.checkVisibility());
        const texts = kind => [...svg.querySelectorAll('text.tick.' + kind)]
            .map(t => [+t.getAttribute('x'), +t.getAttribute('y'), t.textContent]);
        const path = kind => svg.querySelector('path.' + kind)?.getAttribute('d') ?? '';
        return {curve: path('curve'), forecast: path('forecast'), dates: texts('middle'), hours: texts('end'),
                limit: +svg.querySelector('line.limit').getAttribute('y1')};
    }""")
    corners = lambda d: [[float(x), float(y)] for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", d)]
    used.update(curve=corners(used["curve"]), forecast=corners(used["forecast"]))

    tell(step="figures", used=used, share=page.locator("[data-live='main-hoist/share']").first.text_content(),
         text=page.locator("#figures").text_content(), months=table("month"), bands=table("band"))

    # The drawings of a year's work, measured as they stand on the screen: the side of each square of the calendars and of the
    # week, the height of each stick above the floor.
    page.goto(views["work"] + "?year=2024")
    paths = lambda place: page.evaluate(
        "place => [...document.querySelectorAll(place)].filter(p => p.checkVisibility()).map(p => p.getAttribute('d'))", place)
    squares = lambda d: [float(side) for side in re.findall(r"M[-\d.]+ [-\d.]+h([\d.]+)v", d)]
    sticks = lambda d: [float(foot) - float(head) for foot, head in re.findall(r"M[-\d.]+ ([-\d.]+)V([-\d.]+)", d)]
    tell(step="work", calendars=[squares(d) for d in paths("#calendar path.amount")],
         week=[squares(d) for d in paths("#causes path.amount")], sticks=[sticks(d) for d in paths("#duty path.sticks")],
         months=table("Motor duty by month"), bands=table("By load"), shifts=table("By weekday"))

    # Filters: overloads alone, the heaviest first.
    page.goto(views["lifts"])
    page.locator("input[name=overload]").check()
    page.locator("select[name=sort]").select_option("load")
    page.get_by_role("button").first.click()
    tell(step="overloads", address=page.url, said=page.locator("main p[role=status]").last.text_content(), rows=table("Lifts"))

    # What-if: a lower rating, heavier loads split.
    page.goto(views["whatif"])
    page.locator("input[name=rated]").fill("12")
    page.locator("select[name=above]").select_option("split")
    page.get_by_role("button").first.click()
    tell(step="whatif", rows=table("follow"), captions=[c.text_content() for c in page.locator("caption").all()])

    # A warning: acknowledged with the keyboard, then another shelved.
    page.goto(views["warnings"])
    page.locator("select[name=act]").select_option("acknowledge")
    page.locator("input[name=by]").fill("R. Field")
    page.locator("input[name=note]").fill("seen on the round")
    page.locator("input[name=note]").press("Enter")
    page.wait_for_url("**done=*")
    tell(step="acknowledged", said=page.locator("p.banner[role=status]").last.text_content(), text=page.locator("main").text_content())
    page.locator("select[name=act]").select_option("shelve")
    page.locator("input[name=by]").fill("R. Field")
    page.locator("input[name=hours]").fill("1.5")
    page.get_by_role("button").last.click()
    page.wait_for_url("**done=*")
    tell(step="shelved", text=page.locator("main").text_content())
    page.locator("select[name=act]").select_option("note")
    page.locator("input[name=by]").fill("R. Field")
    page.get_by_role("button").last.click()
    page.wait_for_load_state()
    tell(step="refused", said=page.locator("p.banner[role=alert]").text_content())
    browser.close()
tell(step="end")
