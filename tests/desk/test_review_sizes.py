"""The page in a real browser on narrow screens and with large text."""

import pytest


@pytest.mark.parametrize("width", [320, 360, 480, 600])
def test_nothing_lies_beyond_the_edge_of_a_narrow_window(at_desk, sitting, width: int) -> None:
    """320 px is a window of 1280 px at four times the size (WCAG 2.2, 1.4.10): buttons lay beyond its edge."""
    page = at_desk(sitting.port, sitting.address, size=(width, 740))
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for name in ("Close the desk", "Whole", "Confirm"):
        box = page.get_by_role("button", name=name).bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
    assert page.troubles == []


def test_text_grows_with_the_size_that_the_browser_is_set_to(at_desk, sitting) -> None:
    """Sizes in px stayed as they were, whatever the person had chosen."""
    page = at_desk(sitting.port, sitting.address)
    browser = page.context.new_cdp_session(page)
    heights = {}
    for size in (16, 24):
        browser.send("Page.setFontSizes", {"fontSizes": {"standard": size, "fixed": size}})
        page.wait_for_timeout(300)
        heights[size] = {
            each: float(page.locator(each).first.evaluate("(it) => getComputedStyle(it).fontSize").removesuffix("px"))
            for each in ("body", ".figures .value", ".figures .unit", "#note", ".law", ".item .name")
        }
        assert page.evaluate("document.documentElement.scrollWidth") <= 1280
        assert page.get_by_role("button", name="Confirm").bounding_box()["y"] < 800
    assert heights[24] == pytest.approx({each: 1.5 * height for each, height in heights[16].items()})
