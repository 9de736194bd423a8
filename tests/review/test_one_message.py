"""The socket of a page: one message for what changed at one time, arrays within it."""

from __future__ import annotations

import asyncio
from typing import Any

import numpy as np
import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from bokeh.document import Document
from bokeh.models import ColumnDataSource, Div
from bokeh.protocol import Protocol
from bokeh.server.views.ws import WSHandler

from sts.review.one_message import OneMessage


def test_changes_of_one_callback_go_as_one_message_that_another_document_understands(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sent: list[Any] = []

    async def send(self: WSHandler, message: Any) -> None:
        sent.append(message)

    monkeypatch.setattr(WSHandler, "send_message", send)
    page, browser = Document(), Document()
    page.add_root(Div(text="before", name="words"))
    page.add_root(ColumnDataSource(data={"x": []}, name="curve"))
    browser.replace_with_json(page.to_json())
    handler = OneMessage.__new__(OneMessage)
    handler._changes = []
    waiting: list[Any] = []
    page.on_change(lambda event: waiting.append(handler.send_message(Protocol().create("PATCH-DOC", [event]))))
    page.get_model_by_name("words").text = "after"
    page.get_model_by_name("curve").data = {"x": np.linspace(0, 1, 50)}

    async def write() -> None:
        for one in waiting:
            await one

    asyncio.run(write())
    assert len(waiting) == 2
    assert len(sent) == 1
    assert sent[0].buffers == []
    read = Protocol().assemble(sent[0].header_json, sent[0].metadata_json, sent[0].content_json)
    read.apply_to_document(browser)
    assert browser.get_model_by_name("words").text == "after"
    assert np.array_equal(browser.get_model_by_name("curve").data["x"], np.linspace(0, 1, 50))
