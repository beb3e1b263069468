"""A pack brings back every byte, and no hostile or damaged zip writes one."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import stat
import struct
import tempfile
import zipfile
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.errors import FileError
from engine.report import pack as unpack_module
from engine.report.pack import MANIFEST, check_pack, collision, fault, pack, unpack

WHEN = "2026-11-25T09:12:00+01:00"
CONTENT = {
    "session.yaml": b"format: 1\nname: bottling line 2, infeed\n" * 20,
    "journal.jsonl": b'{"action": "record"}\n' * 50,
    "result.yaml": b"verdict: accepted\n",
    "images/001.png": bytes(range(256)) * 8,
    "images/002.png": b"\x00" * 5000,  # shrinks so much that it is stored as it is
    "points/001.csv": b"id,u_px,v_px\n0,1.5,2.5\n",
    "depth/001.npy": b"\x93NUMPY" + bytes(100),
}


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = tmp_path / "infeed 2026-11"
    for name, data in CONTENT.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    (folder / ".lock").write_bytes(b"{}")
    (folder / "images" / ".003.png.aside").write_bytes(b"half")
    return folder


def packed(folder: Path, **options: object) -> bytes:
    stream = io.BytesIO()
    pack(folder, stream, now=datetime.fromisoformat(WHEN), **options)
    return stream.getvalue()


def tree(folder: Path) -> dict[str, bytes]:
    files = (p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}


def test_everything_comes_back_and_locks_stay_behind(session: Path, tmp_path: Path) -> None:
    (tmp_path / "p.zip").write_bytes(packed(session))
    manifest = unpack(tmp_path / "p.zip", tmp_path / "out")
    assert tree(tmp_path / "out") == CONTENT
    assert manifest.session == "infeed 2026-11"
    assert {f.path: f.sha256 for f in manifest.files} == {
        name: hashlib.sha256(data).hexdigest() for name, data in CONTENT.items()
    }


def test_without_images_the_hashes_of_the_images_remain(session: Path, tmp_path: Path) -> None:
    (tmp_path / "p.zip").write_bytes(packed(session, images=False))
    manifest = unpack(tmp_path / "p.zip", tmp_path / "out")
    kept = {n: d for n, d in CONTENT.items() if n.split("/")[0] not in ("images", "depth")}
    assert tree(tmp_path / "out") == kept
    left = {f.path: f.sha256 for f in manifest.left_out}
    assert left["images/001.png"] == hashlib.sha256(CONTENT["images/001.png"]).hexdigest()
    assert len(left) == 3


def test_other_zip_programs_can_read_a_pack_and_same_session_gives_same_bytes(
    session: Path,
) -> None:
    one = packed(session)
    assert one == packed(session)
    with zipfile.ZipFile(io.BytesIO(one)) as archive:
        assert archive.testzip() is None
        assert json.loads(archive.read(MANIFEST))["format"] == 1


def test_pack_that_was_repacked_with_folder_entries_is_accepted(
    session: Path, tmp_path: Path
) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(packed(session))) as old, zipfile.ZipFile(out, "w") as new:
        new.writestr("images/", b"")
        for entry in old.infolist():
            new.writestr(entry.filename, old.read(entry), zipfile.ZIP_DEFLATED)
    (tmp_path / "p.zip").write_bytes(out.getvalue())
    assert unpack(tmp_path / "p.zip", tmp_path / "out").session == "infeed 2026-11"
    assert tree(tmp_path / "out") == CONTENT


def test_existing_folder_is_never_touched(session: Path, tmp_path: Path) -> None:
    (tmp_path / "p.zip").write_bytes(packed(session))
    before = tree(session)
    for taken in (session, tmp_path / "p.zip"):
        with pytest.raises(FileError, match="exists already"):
            unpack(tmp_path / "p.zip", taken)
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with pytest.raises(FileError, match="exists already"):
        unpack(tmp_path / "p.zip", tmp_path / "link")
    assert tree(session) == before
    assert not (tmp_path / "nowhere").exists()


def test_links_and_devices_are_not_packed(session: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"x")
    (session / "points" / "002.csv").symlink_to(tmp_path / "secret")
    with pytest.raises(FileError, match=r"002\.csv.*link"):
        packed(session)
    (session / "points" / "002.csv").unlink()
    os.mkfifo(session / "pipe")
    with pytest.raises(FileError, match="link or device"):
        packed(session)


@pytest.mark.parametrize("name", ["images/a:b.png", "pack.json", "nul.txt", "images/x .", "a\nb"])
def test_names_that_would_not_unpack_are_not_packed(session: Path, name: str) -> None:
    (session / name).write_bytes(b"x")
    with pytest.raises(FileError, match="cannot be packed"):
        packed(session)


def test_names_that_collide_elsewhere_are_not_packed(session: Path) -> None:
    (session / "images" / "001.PNG").write_bytes(b"x")
    with pytest.raises(FileError, match="one name elsewhere"):
        packed(session)


def test_folder_that_is_no_session_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"session\.yaml"):
        packed(tmp_path)


# ---- hostile zips ---------------------------------------------------------------------------


def forged(
    path: Path, members: dict[str, bytes], *, modes: dict[str, int] | None = None,
    manifest: object = None, extra: dict[str, bytes] | None = None,
) -> Path:  # fmt: skip
    """Write a zip whose manifest is right for ``members``, by Python's own zip writer."""
    rows = [
        {"path": n, "size": len(d), "sha256": hashlib.sha256(d).hexdigest()}
        for n, d in members.items()
    ]
    document = manifest or {
        "format": 1, "session": "s", "created": WHEN, "program": "p", "files": rows, "left_out": [],
    }  # fmt: skip
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {**members, **(extra or {})}.items():
            entry = zipfile.ZipInfo(name)
            entry.filename = name  # as it is, also what ZipInfo would clean
            entry.external_attr = (modes or {}).get(name, stat.S_IFREG | 0o644) << 16
            archive.writestr(entry, data, zipfile.ZIP_DEFLATED)
        archive.writestr(MANIFEST, json.dumps(document))
    return path


def refused(zip_path: Path, words: str) -> None:
    """Unpacking must raise with these words, and write nothing anywhere."""
    room = zip_path.parent
    before = sorted(room.rglob("*"))
    with pytest.raises(FileError, match=words):
        unpack(zip_path, room / "inner" / "out")
    assert sorted(room.rglob("*")) == before


HOSTILE = [
    "../evil", "images/../../evil", "/etc/evil", "//host/share", "C:/evil", "C:evil", "..\\evil",
    "images\\..\\evil", "\\\\host\\x", "./evil", "images//x", "images/./x", "nul", "images/CON.png",
    "COM1", "x.", "x ", "a\x00b", "a\nb", "a\u202eb", ".bashrc", "images/.hidden", "a/" * 9 + "b",
    "x" * 300, "a?b", "images/a:stream",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_refused(name: str, tmp_path: Path) -> None:
    refused(forged(tmp_path / "p.zip", {"session.yaml": b"x", name: b"y"}), " in it")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFDIR])
def test_links_and_devices_are_refused(kind: int, tmp_path: Path) -> None:
    members = {"session.yaml": b"x", "images/1.png": b"/etc/passwd"}
    made = forged(tmp_path / "p.zip", members, modes={"images/1.png": kind | 0o777})
    refused(made, "link or device")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes")
def test_a_pipe_or_a_device_in_place_of_a_zip_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "p.zip")
    (tmp_path / "z.zip").symlink_to("/dev/zero")
    for name in ("p.zip", "z.zip"):
        refused(tmp_path / name, "not an ordinary file")


def test_folder_entry_with_a_hostile_name_is_refused(tmp_path: Path) -> None:
    refused(forged(tmp_path / "p.zip", {"session.yaml": b"x"}, extra={"../x/": b""}), "in it")


@pytest.mark.parametrize(
    "names",
    [("images/1.png", "images/1.PNG"), ("a", "a/b"), ("ä.png", "a\u0308.png"), ("A/x", "a")],
)
def test_names_that_would_overwrite_each_other_are_refused(names, tmp_path: Path) -> None:
    members = {"session.yaml": b"x"} | dict.fromkeys(names, b"y")
    refused(forged(tmp_path / "p.zip", members), "are one name")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_same_name_twice_is_refused(tmp_path: Path) -> None:
    made = forged(tmp_path / "p.zip", {"session.yaml": b"x"})
    with zipfile.ZipFile(made, "a") as archive:
        archive.writestr("session.yaml", b"other")
    refused(made, "are one name")


def test_bombs_are_refused_before_anything_is_unpacked(tmp_path: Path) -> None:
    bomb = forged(tmp_path / "p.zip", {"session.yaml": b"x", "images/1.png": bytes(3 * 2**20)})
    refused(bomb, "unpacks to 3145728")


def test_too_many_files_and_too_large_files_are_refused(tmp_path: Path, monkeypatch) -> None:
    members = {"session.yaml": b"x"} | {f"images/{k}.png": bytes([k]) for k in range(30)}
    made = forged(tmp_path / "p.zip", members)
    for name, limit, words in (
        ("MOST_FILES", 20, "32 files"),
        ("LARGEST_FILE", 100, "bytes"),
        ("LARGEST_TOTAL", 20, "more than 20 bytes"),
        ("LARGEST_MANIFEST", 20, "too large"),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(unpack_module, name, limit)
            refused(made, words)
    assert check_pack(made).session == "s"


def test_overlapping_files_are_refused(tmp_path: Path) -> None:
    # Two entries of the central directory that use the same data: what a compact bomb does.
    data = os.urandom(4000)
    made = forged(tmp_path / "p.zip", {"session.yaml": data})
    raw = made.read_bytes()
    with zipfile.ZipFile(made) as archive:
        start, count = archive.start_dir, len(archive.infolist())
    length = 46 + len("session.yaml")
    copy = raw[start : start + length].replace(b"session.yaml", b"session.yamm")
    end = raw.rfind(b"PK\x05\x06")
    body = raw[:start] + raw[start:end] + copy
    record = bytearray(raw[end:])
    struct.pack_into("<HHI", record, 8, count + 1, count + 1, end - start + len(copy))
    made.write_bytes(body + bytes(record))
    refused(made, "overlap")


def test_encrypted_and_oddly_packed_files_are_refused(tmp_path: Path) -> None:
    made = forged(tmp_path / "p.zip", {"session.yaml": b"x"})
    raw = bytearray(made.read_bytes())
    flag_at = raw.find(b"PK\x01\x02") + 8
    raw[flag_at] |= 1
    made.write_bytes(raw)
    refused(made, "encrypted")
    with zipfile.ZipFile(made, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("session.yaml", b"x" * 100)
    refused(made, "unusual")


def test_content_that_is_not_what_was_packed_is_refused(tmp_path: Path) -> None:
    rows = [{"path": "session.yaml", "size": 1, "sha256": hashlib.sha256(b"y").hexdigest()}]
    document = {
        "format": 1, "session": "s", "created": WHEN, "program": "p", "files": rows, "left_out": [],
    }  # fmt: skip
    made = forged(tmp_path / "p.zip", {"session.yaml": b"x"}, manifest=document)
    refused(made, "not what was packed")


def test_files_that_the_manifest_does_not_list_are_refused(tmp_path: Path) -> None:
    made = forged(tmp_path / "p.zip", {"session.yaml": b"x"}, extra={"run.sh": b"rm"})
    refused(made, r"disagree \('run.sh'\)")


@pytest.mark.parametrize(
    "manifest",
    [[1], "text", {"format": 2}, {"format": 1}, {"format": 1, "session": 1},
     {"format": 1, "session": "s", "created": "", "program": "", "files": None, "left_out": []},
     {"format": 1, "session": "s", "created": "", "program": "", "files": [1], "left_out": []},
     {"format": 1, "session": "s", "created": "", "program": "", "left_out": [],
      "files": [{"path": ["session.yaml"], "size": 1, "sha256": "x"}]}],
)  # fmt: skip
def test_damaged_manifests_are_refused(manifest: object, tmp_path: Path) -> None:
    refused(forged(tmp_path / "p.zip", {"session.yaml": b"x"}, manifest=manifest), "pack.json")


def test_deeply_nested_manifest_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "p.zip", "w") as archive:
        archive.writestr("session.yaml", b"x")
        archive.writestr(MANIFEST, "[" * 100_000)
    refused(tmp_path / "p.zip", "damaged")


def test_ordinary_zips_and_other_files_are_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "p.zip", "w") as archive:
        archive.writestr("letter.txt", b"x")
    refused(tmp_path / "p.zip", "no pack")
    (tmp_path / "p.zip").write_bytes(b"\x89PNG")
    refused(tmp_path / "p.zip", "damaged")
    (tmp_path / "p.zip").write_bytes(b"")
    refused(tmp_path / "p.zip", "damaged")
    with pytest.raises(FileError, match="cannot read"):
        unpack(tmp_path / "missing.zip", tmp_path / "out")


def test_session_name_in_the_manifest_cannot_lead_elsewhere(tmp_path: Path) -> None:
    rows = [{"path": "session.yaml", "size": 1, "sha256": hashlib.sha256(b"x").hexdigest()}]
    for name in ("../up", "/abs", "a/b", "", "C:"):
        document = {
            "format": 1, "session": name, "created": WHEN, "program": "p", "files": rows,
            "left_out": [],
        }  # fmt: skip
        made = forged(tmp_path / "p.zip", {"session.yaml": b"x"}, manifest=document)
        unpack(made, tmp_path / "a" / "out")
        assert [p.name for p in (tmp_path / "a").rglob("*")] == ["out", "session.yaml"]
        shutil.rmtree(tmp_path / "a")


# ---- damage ---------------------------------------------------------------------------------


def small_pack(tmp_path: Path) -> tuple[bytes, dict[str, bytes]]:
    members = {"session.yaml": b"format: 1\n" * 30, "points/001.csv": b"id,u_px,v_px\n"}
    folder = tmp_path / "s"
    for name, data in members.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return packed(folder), members


def test_pack_cut_at_any_byte_gives_one_sentence_and_writes_nothing(tmp_path: Path) -> None:
    whole, _ = small_pack(tmp_path)
    cut = tmp_path / "cut.zip"
    for length in range(len(whole)):
        cut.write_bytes(whole[:length])
        with pytest.raises(FileError):
            unpack(cut, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_any_changed_byte_is_refused_or_harmless(tmp_path: Path) -> None:
    whole, members = small_pack(tmp_path)
    changed = tmp_path / "changed.zip"
    harmless = 0
    for at in range(len(whole)):
        changed.write_bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])
        try:
            manifest = check_pack(changed)
        except FileError:
            continue
        harmless += 1
        assert {file.path for file in manifest.files} == set(members)
        assert {file.sha256 for file in manifest.files} == {
            hashlib.sha256(data).hexdigest() for data in members.values()
        }
    assert harmless < len(whole) / 2  # times, versions and attributes of the zip's own records


@given(st.binary(max_size=300), st.integers(0, 2000), st.integers(0, 300))
@settings(max_examples=150, deadline=None)
def test_noise_in_a_pack_gives_no_other_error(noise: bytes, at: int, drop: int) -> None:
    with tempfile.TemporaryDirectory() as room:
        whole, _ = small_pack(Path(room))
        damaged = Path(room) / "d.zip"
        damaged.write_bytes(whole[:at] + noise + whole[at + drop :])
        with suppress(FileError):
            check_pack(damaged)


@given(st.text(max_size=30))
@settings(max_examples=300, deadline=None)
def test_every_allowed_name_stays_inside_the_folder(name: str) -> None:
    if fault(name) is None:
        inside = (Path("/room/out") / name).resolve()
        assert inside.is_relative_to("/room/out")
        assert inside != Path("/room/out")
        assert "\\" not in name
        assert ":" not in name


def test_collision_finds_files_used_as_folders() -> None:
    assert collision(["a/b", "a/c", "d"]) is None
    assert collision(["a/b", "A"]) == ("A", "a/b")
