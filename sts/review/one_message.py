"""The socket of a page: what changes at one time goes to the browser as one message, and is drawn there at once."""

from __future__ import annotations

from typing import Any

from bokeh.core.serialization import Buffer
from bokeh.protocol.message import Message
from bokeh.protocol.messages.patch_doc import patch_doc
from bokeh.server.views.ws import WSHandler


class OneMessage(WSHandler):
    """Bokeh's socket, which by itself sends a message per property and two more per array.

    The changes of one callback are all made before the first is sent, so that those that wait can go with it. Arrays go within
    the text: a frame costs a browser more than some kilobytes do.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._changes: list[Any] = []

    def send_message(self, message: Message[Any]) -> Any:
        """Send a message, or the changes of a document that have gathered.

        Parameters
        ----------
        message : bokeh.protocol.message.Message

        Returns
        -------
        awaitable
        """
        if not isinstance(message, patch_doc):
            return super().send_message(message)
        self._changes += within(message.content["events"])
        return self._send_changes()

    async def _send_changes(self) -> None:
        if self._changes:
            events, self._changes = self._changes, []
            await super().send_message(patch_doc(patch_doc.create_header(), {}, {"events": events}))


def within(value: Any) -> Any:
    """A message's content with its buffers as text in it.

    Parameters
    ----------
    value : object
        Of lists, dicts, buffers and what JSON knows.
    """
    if isinstance(value, Buffer):
        return value.to_base64()
    if isinstance(value, dict):
        return {key: within(one) for key, one in value.items()}
    return [within(one) for one in value] if isinstance(value, list | tuple) else value
