"""Why a measurement ended without a result.

Unmeasured     a lane, or one direction of it, could not be measured; the others go on
NotReady       the link as a whole cannot be margined as it is
LinkDisturbed  the link is not what it was: everything stops, at both ends
  LinkWentDown   it went down
"""


class Unmeasured(Exception):
    """A receiver did not do its part; str() says which part, in words."""


class LinkDisturbed(Exception):
    """The link trained, changed, reported errors or vanished; str() says what was seen."""


class NotReady(Exception):
    """The link cannot be brought into the state that margining needs; str() says why."""


class LinkWentDown(LinkDisturbed):
    """The link went down, which takes every receiver back to normal settings by itself."""
