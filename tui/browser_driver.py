"""The dashboard's driver while a browser shows it: Textual's own, and two things more.

It answers the beats of whoever looks, through the dashboard's own queue: a page whose beats come
back shows the present. And it ends the dashboard when its browser has gone, however that went.
Chosen by TEXTUAL_DRIVER, so that the dashboard itself need not know.
"""

from __future__ import annotations

from textual import messages
from textual.drivers.web_driver import WebDriver


class ViewDriver(WebDriver):
    """Packets of a kind and a payload on standard input and output."""

    def run_input_thread(self) -> None:
        """Returns when standard input ends: nobody looks any more."""
        super().run_input_thread()
        if not self.exit_event.is_set():
            self._app.post_message(messages.ExitApp())

    def on_meta(self, packet_type: str, payload: dict[str, object]) -> None:
        """Beats wait their turn behind whatever the dashboard still has to draw."""
        if packet_type == "beat":
            self._app.call_later(self.write_meta, payload)
        else:
            super().on_meta(packet_type, payload)
