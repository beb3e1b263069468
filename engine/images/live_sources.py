"""Images taken on demand: from a video device, an address, or a command of the user's own."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path

import cv2

from ..errors import FileError, UsageError
from .load import SILENT

STALE_FRAMES = 5  # frames; drivers keep 3 to 5 old ones, and exposure needs some to settle
URL_TIMEOUT_S = 10.0  # s for the whole image
COMMAND_TIMEOUT_S = 30.0  # s; a camera that starts up takes ten
MOST_BYTES = 200_000_000  # a 16-bit colour image of 30 megapixels; more is an endless stream
CHUNK = 1 << 16  # bytes
PLACE = "{file}"  # in a command: where it writes the image


def device_image(device: str) -> bytes:
    """Return one fresh frame of a video device (number, path or rtsp address) as PNG.

    The device is opened anew and its first frames are thrown away, so no stale one is taken.
    Raises FileError when it does not open or deliver.
    """
    fail = partial(FileError, f"device {device}")
    cv2.utils.logging.setLogLevel(SILENT)
    capture = cv2.VideoCapture(int(device) if device.isdigit() else device)
    try:
        if not capture.isOpened():
            raise fail("cannot be opened", "Check cable, number and access rights.")
        frame = None
        for _ in range(STALE_FRAMES + 1):
            there, grabbed = capture.read()
            frame = grabbed if there else None
        if frame is None:
            raise fail("delivers no image", "Is it used by another program?")
    finally:
        capture.release()
    return cv2.imencode(".png", frame)[1].tobytes()


def url_image(url: str, credentials: Mapping[str, tuple[str, str]]) -> bytes:
    """Return the image behind an http or https address.

    ``credentials`` give user and password by host. Raises UsageError for another kind of address
    or one that carries a password, FileError when no image comes.
    """
    parts = urllib.parse.urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise UsageError(f"camera.source: {url!r} is no http address", "For rtsp use a device.")
    if parts.username or parts.password:
        raise UsageError(
            "camera.source: the address carries a user or password",
            "Keep them in the user's own configuration; cells are handed around.",
        )
    try:
        with _opener(parts.hostname, url, credentials).open(url, timeout=URL_TIMEOUT_S) as answer:
            if answer.headers.get_content_maintype() == "multipart":
                raise FileError(url, "is an endless stream", "Use the camera's snapshot address.")
            return _body(answer, url)
    except urllib.error.HTTPError as error:
        raise FileError(
            url, f"answers {error.code} {error.reason}", "Check the address."
        ) from error
    except OSError as error:
        reason = getattr(error, "reason", error)
        raise FileError(url, f"cannot be reached ({reason})", "Check cable and address.") from error


def _opener(
    host: str, url: str, credentials: Mapping[str, tuple[str, str]]
) -> urllib.request.OpenerDirector:
    """Return an opener that goes straight to the camera: no proxy knows the plant's own network."""
    handlers: list[urllib.request.BaseHandler] = [urllib.request.ProxyHandler({})]
    if host in credentials:
        passwords = urllib.request.HTTPPasswordMgrWithDefaultRealm()
        passwords.add_password(None, url, *credentials[host])
        handlers.append(urllib.request.HTTPDigestAuthHandler(passwords))
        handlers.append(urllib.request.HTTPBasicAuthHandler(passwords))
    return urllib.request.build_opener(*handlers)


def _body(answer: object, url: str) -> bytes:
    end, data = time.monotonic() + URL_TIMEOUT_S, bytearray()
    while chunk := answer.read1(CHUNK):  # type: ignore[attr-defined]
        data += chunk
        if len(data) > MOST_BYTES or time.monotonic() > end:
            raise FileError(url, "does not come to an end", "Use the camera's snapshot address.")
    return bytes(data)


def command_image(name: str, arguments: Sequence[str]) -> bytes:
    """Run a command that writes one image where ``{file}`` stands among its arguments.

    Raises UsageError without that place, FileError when the command cannot be started, takes too
    long, fails, or leaves no new file.
    """
    if not any(PLACE in argument for argument in arguments):
        raise UsageError(
            f"command {name!r} does not say where it writes", f"Put {PLACE} among its arguments."
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "image.png"
        _run(name, [argument.replace(PLACE, str(path)) for argument in arguments])
        try:
            return path.read_bytes()
        except OSError as error:
            raise FileError(
                f"command {name}", "ended well but wrote no image", f"It has to write {PLACE}."
            ) from error


def genicam_image(name: str) -> bytes:
    """Return one image of a GenICam camera, by its own name, serial number, id or model, as PNG.

    Raises FileError when it cannot be had; the process that takes it is ended with the wait.
    """
    words = [sys.executable, "-m", "engine.images.genicam", name, PLACE]
    return command_image(f"for camera {name}", words)


def _run(name: str, arguments: Sequence[str]) -> None:
    fail = partial(FileError, f"command {name}")
    try:
        done = subprocess.run(
            arguments,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=COMMAND_TIMEOUT_S,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise fail(f"did not end within {COMMAND_TIMEOUT_S:.0f} s", "Run it by hand.") from error
    except OSError as error:
        raise fail(f"cannot be started ({error.strerror})", "Check the user's commands.") from error
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        why = f": {said[-1][:200]}" if said else ""
        raise fail(f"failed with {done.returncode}{why}", "Run it by hand.")
