"""The page of messages tells what the code says."""

from __future__ import annotations

import pytest

from shared import AudioError, read_recording
from tests.messages import PAGE, collect_messages, page_text


def test_every_message_is_on_the_page() -> None:
    """``python -m tests.messages`` writes the page anew after a message was changed."""
    assert PAGE.read_text(encoding="utf-8") == page_text()


def test_messages_are_found_where_they_are_raised() -> None:
    """A message that is really given is on the page, beside its cure."""
    with pytest.raises(AudioError) as caught:
        read_recording("gone.wav", max_duration_s=-1.0)
    said = str(caught.value)
    assert any(
        message.says.split("...")[0] and said.startswith(message.says.split("...")[0])
        for message in collect_messages()
    )


def test_most_messages_name_a_cure() -> None:
    """House rule: what was wrong, what is accepted, what to do."""
    messages = collect_messages()
    assert len(messages) > 150
    with_cure = [m for m in messages if not m.cure.startswith("Give what the message says")]
    says_what = ("accepted", "needed", "known", "must")
    accepted = [m for m in set(messages) - set(with_cure) if any(w in m.says for w in says_what)]
    # Some forward the words of another message, which has both.
    assert len(with_cure) + len(accepted) > 0.8 * len(messages)
