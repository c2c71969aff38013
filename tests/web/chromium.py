"""Pages are looked at in the system's Chromium: on a phone, at a desk, and for what no one could use."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
needs_chromium = pytest.mark.skipif(
    not CHROMIUM.exists(), reason=f"{CHROMIUM} is absent; install the Debian package chromium"
)
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}
GLOVE = 44  # px; WCAG 2.2 target size (enhanced), 2.5.5

SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, input, select, summary')]
  .filter(each => each.type !== 'hidden' && !each.closest('.skip, dd, details:not([open]) > :not(summary)'))
  .map(each => [each.outerHTML.slice(0, 90), each.getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.height < GLOVE - 0.1 || box.width < GLOVE - 0.1))
  .map(([html, box]) => `${html} ${box.width} x ${box.height}`)""".replace("GLOVE", str(GLOVE))

# Contrast of every text against what lies behind it (WCAG 2.2, 1.4.3; relative luminance as defined there).
WEAK_TEXT = """() => {
  const channel = value => value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
  const numbers = colour => colour.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) =>
    0.2126 * channel(r / 255) + 0.7152 * channel(g / 255) + 0.0722 * channel(b / 255);
  const behind = each => {
    for (; each; each = each.parentElement) {
      const colour = numbers(getComputedStyle(each).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const weak = [];
  for (const each of document.querySelectorAll('body *')) {
    if (![...each.childNodes].some(node => node.nodeType === 3 && node.data.trim())) continue;
    if (!each.getClientRects().length) continue;
    const pair = [luminance(numbers(getComputedStyle(each).color)), luminance(behind(each))].sort();
    const ratio = (Math.max(...pair) + 0.05) / (Math.min(...pair) + 0.05);
    if (ratio < 4.5) weak.push(`${each.outerHTML.slice(0, 80)} ${ratio.toFixed(2)}`);
  }
  return weak;
}"""

# What stands out of the page on its right side.
BEYOND = """[...document.querySelectorAll('body *')]
    .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth)
    .slice(0, 5).map(e => e.outerHTML.slice(0, 200))"""


@contextmanager
def opened_chromium() -> Iterator[Any]:
    """Yields a Playwright browser without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()
