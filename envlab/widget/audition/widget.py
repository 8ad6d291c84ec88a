"""The widget between page and package: what is synced, and who hears the page's messages."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import anywidget
import traitlets

from envlab.widget.audition.page_files import joined_module, joined_style

Heard = Callable[[Mapping[str, Any], Sequence[Any]], None]


class AuditionWidget(anywidget.AnyWidget):
    """Traits from the package to the page; the page answers with messages only.

    setup, state, metrics, flash: JSON. sound, light, traces: bytes as audition_payload frames them.
    hear: called with each message and its buffers.
    """

    _esm = traitlets.Unicode().tag(sync=True)
    _css = traitlets.Unicode().tag(sync=True)
    setup = traitlets.Dict().tag(sync=True)
    state = traitlets.Dict().tag(sync=True)
    sound = traitlets.Bytes(b"").tag(sync=True)
    light = traitlets.Bytes(b"").tag(sync=True)
    traces = traitlets.Bytes(b"").tag(sync=True)
    metrics = traitlets.Dict().tag(sync=True)
    flash = traitlets.Dict().tag(sync=True)

    def __init__(self, hear: Heard, **traits: Any) -> None:
        super().__init__(_esm=joined_module(), _css=joined_style(), **traits)
        self._hear = hear
        self.on_msg(self._message)

    def _message(self, widget: object, content: Any, buffers: Any) -> None:
        del widget
        if isinstance(content, Mapping):
            self._hear(content, buffers or ())
