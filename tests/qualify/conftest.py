"""The browser of the pages' tests."""

from tests.page.conftest import browser

__all__ = ["browser"]
