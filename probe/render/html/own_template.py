"""A record on a site's own template: Jinja2 in its sandbox, every text escaped, no file but the template read.

The template is given `page`, all that our own page is made of, and `record`, the judgement and its digests as the
schema has them. What it writes beside that is the site's own business.
"""

import jinja2
import msgspec
from jinja2.sandbox import ImmutableSandboxedEnvironment

from probe.exceptions import InputError
from probe.foreign_text import made_plain
from probe.qualify.document import RecordSummary
from probe.render.html.page import Page, marked_page

_REMEDY = "correct the template; linkprobe-qualification(5) names what it is given"


def own_page(template: str, name: str, page: Page, record: RecordSummary) -> str:
    """The page. Raises InputError, which names the line, for a template that is none or asks for what there is not."""
    environment = ImmutableSandboxedEnvironment(autoescape=True, undefined=jinja2.StrictUndefined)
    given = made_plain(msgspec.to_builtins(record))
    try:
        return environment.from_string(template).render(page=marked_page(page), record=given)
    except jinja2.TemplateSyntaxError as error:
        what = f"is no template ({error.message})"
        raise InputError(what, where=f"{name} line {error.lineno}", remedy=_REMEDY) from error
    except (jinja2.TemplateError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        raise InputError(f"cannot be filled in ({error})", where=_where(error, name), remedy=_REMEDY) from error


def _where(error: BaseException, name: str) -> str:
    """The template, with the line at which it was."""
    trace, line = error.__traceback__, None
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == "<template>":
            line = trace.tb_lineno
        trace = trace.tb_next
    return name if line is None else f"{name} line {line}"
