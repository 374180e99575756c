"""The bench is found where phones keep what waits for it; a move is refused, or said."""

import asyncio
import shutil
import socket

import pytest

from doughlab.errors import InputError
from doughlab.record.bench import listen
from doughlab.record.bench_address import KEY_FILE, PORT, PORTS, Kept, moved_words, read_kept

NAMED = "Entries that wait on a phone under the old address are not seen from the new one: on the "
NAMED += "phone's old page take 'Hand them over', or open the bench at the old address once more."


def opened(folder, **how):
    async def serve():  # in a running loop, as the command does
        server, address = listen(folder, **how)
        server.stop()
        return address

    return asyncio.run(serve())


def test_a_trial_keeps_its_port_and_its_word(hand):
    first = opened(hand.folder)
    assert first.port in range(PORT, PORT + PORTS + PORTS) and first.said == ()
    again = opened(hand.folder)
    assert again == first
    assert (hand.folder / KEY_FILE).stat().st_mode & 0o077 == 0


def test_a_taken_port_is_never_left_in_silence(hand):
    port = opened(hand.folder).port
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind(("127.0.0.1", port))
        other.listen()
        with pytest.raises(InputError) as e:
            listen(hand.folder)
    assert str(e.value) == (
        f"Port {port}, where the phones of this trial send, is taken. A phone keeps what waits by "
        "this number: close the other program (another bench?), then start again. To move all the "
        "same: --port with another number; what waits on a phone then stays there until the bench "
        f"is at {port} again, or until its page hands it over."
    )


def test_a_move_that_was_asked_for_is_said_once(hand):
    port = opened(hand.folder).port
    free = port + PORTS + 7
    (said,) = opened(hand.folder, port=free).said
    assert said == f"the address moved: port {port} before, {free} now. {NAMED}"
    assert opened(hand.folder).said == () and read_kept(hand.folder).port == free


def test_another_number_in_the_wifi_is_said(hand, monkeypatch):
    numbers = iter([["10.0.0.4"], ["10.0.0.4"], ["10.0.0.9"]])
    monkeypatch.setattr("doughlab.record.bench.local_addresses", lambda: next(numbers))
    assert opened(hand.folder, lan=True).said == ()
    assert opened(hand.folder, lan=True).said == ()
    (said,) = opened(hand.folder, lan=True).said
    assert said == f"the address moved: 10.0.0.4 before, 10.0.0.9 now. {NAMED}"
    assert moved_words(Kept("k", 8341, "10.0.0.4"), 8341, "") == []


def test_a_copied_folder_gets_a_word_of_its_own_and_a_moved_one_keeps_it(hand, tmp_path):
    key = read_kept(hand.folder).key
    shutil.copytree(hand.folder, tmp_path / "copy")
    assert read_kept(tmp_path / "copy").key != key
    hand.folder.rename(tmp_path / "elsewhere")
    assert read_kept(tmp_path / "elsewhere").key == key


def test_a_synced_folder_is_said_before_the_first_entry(hand, tmp_path):
    folder = tmp_path / "OneDrive" / "trial"
    shutil.copytree(hand.folder, folder)
    (said,) = opened(folder).said
    assert said.startswith("this trial stands in a folder that a sync program writes too ('OneDri")


@pytest.mark.parametrize("text", ["", "short\n", "a b\nport x\n", "k" * 20 + "\nport 99999999\n"])
def test_an_odd_file_is_replaced_or_read_as_far_as_it_goes(hand, text):
    (hand.folder / "record").mkdir(exist_ok=True)
    (hand.folder / KEY_FILE).write_text(text)
    kept = read_kept(hand.folder)
    assert len(kept.key) >= 16 and kept.port == 0
