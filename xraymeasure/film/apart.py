"""Compiled decoders in a process of their own, which may abort, hang or outgrow its memory alone.

One such process serves all films of a program, one after the other; it is started when first
needed, ends with the program, and is replaced when it dies or is stopped.
"""

from __future__ import annotations

import atexit
import importlib.util
import json
import os
import subprocess
import sys
import threading
from contextlib import suppress
from typing import Any, BinaryIO

import numpy as np

from xraymeasure.errors import FilmError

SECONDS = 15.0
"""Processor time that a film may take to decode; a large one takes two or three."""
MEMORY = 1_800_000_000
"""Bytes of memory that decoding may take, on systems that keep to such a limit."""

# A machine with much else to do gives a film less than the whole of a processor. Where processor
# time has no limit, this is the only one.
_WALL = 10.0 if importlib.util.find_spec("resource") else 3.0
_PROGRAM = (
    "import importlib, json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "[importlib.import_module(each) for each in sys.argv[2:]]; "
    "from xraymeasure.film.apart import serve; serve()"
)
_ONE_AT_A_TIME = threading.Lock()
_server: subprocess.Popen[bytes] | None = None
_owner = 0


class DecodingFailed(Exception):
    """The decoder gave up, ended or was stopped; the message is a cause in a few words."""


def decode_apart(
    module: str, function: str, payload: bytes, *, seconds: float | None = None, **known: Any
) -> tuple[dict[str, Any], np.ndarray, str]:
    """Call a decoder in the other process.

    Parameters
    ----------
    module, function : str
        What to call there: ``function(payload, **known)`` returns a JSON record and an array.
    payload : bytes
        The encoded picture.
    seconds : float, optional
        Processor time that it may take; `SECONDS` by default.
    **known
        Further arguments, such as JSON can carry.

    Returns
    -------
    dict, numpy.ndarray, str
        The record, the array, and what the decoder printed.

    Raises
    ------
    FilmError, NotImplementedError
        As raised by the decoder.
    DecodingFailed
        If it raised anything else, died, or was stopped at a limit.
    """
    allowed = SECONDS if seconds is None else seconds
    request = {"module": module, "function": function, "seconds": allowed, "known": known}
    with _ONE_AT_A_TIME:
        server = _running()
        assert server.stdin is not None
        assert server.stdout is not None
        watch = threading.Timer(allowed * _WALL, server.kill)
        watch.daemon = True
        watch.start()
        try:
            _send(server.stdin, request, payload)
            answer, content = _receive(server.stdout)
        except (EOFError, OSError):
            stopped = not watch.is_alive()
            raise DecodingFailed(_cause_of_death(server, stopped)) from None
        finally:
            watch.cancel()
    if answer["error"] == "FilmError":
        raise FilmError(answer["words"])
    if answer["error"] == "NotImplementedError":
        raise NotImplementedError(answer["words"])
    if answer["error"]:
        raise DecodingFailed(answer["error"])
    array = np.frombuffer(content, np.dtype(answer["dtype"])).reshape(answer["shape"])
    return answer["record"], array, answer["said"]


def get_ready(*modules: str) -> None:
    """Start the other process before a film needs it, and have it import `modules` meanwhile."""
    with _ONE_AT_A_TIME:
        _running(*modules)


def _running(*modules: str) -> subprocess.Popen[bytes]:
    """Return the other process, a new one where there is none or it is that of a parent."""
    global _server, _owner
    if _server is None or _owner != os.getpid() or _server.poll() is not None:
        one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        _server = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-c", _PROGRAM, json.dumps(sys.path), *modules],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **one_thread},
        )
        if _owner != os.getpid():
            atexit.register(_end)
        _owner = os.getpid()
    return _server


def _end() -> None:
    global _server
    if _server is not None and _owner == os.getpid():
        _server.kill()
        _server.communicate()
    _server = None


def _cause_of_death(server: subprocess.Popen[bytes], stopped: bool) -> str:
    server.kill()
    server.communicate()
    code = server.returncode
    import signal

    if stopped or code == -getattr(signal, "SIGXCPU", 0):
        return "decoding took too long"
    return "the decoder broke down" if code else "the decoder ended"


def _send(stream: BinaryIO | Any, record: dict[str, Any], payload: bytes) -> None:
    head = json.dumps({**record, "bytes": len(payload)}).encode("ascii")
    stream.write(len(head).to_bytes(8, "big") + head)
    stream.write(payload)
    stream.flush()


def _receive(stream: BinaryIO | Any) -> tuple[dict[str, Any], bytes]:
    record = json.loads(_exactly(stream, int.from_bytes(_exactly(stream, 8), "big")))
    return record, _exactly(stream, record["bytes"])


def _exactly(stream: BinaryIO | Any, count: int) -> bytes:
    content = stream.read(count)
    if len(content) < count:
        raise EOFError
    return bytes(content)


def serve() -> None:
    """Answer requests from standard input until it ends; the life of the other process."""
    import tempfile

    questions, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    # Compiled decoders print past Python; that must mix neither with the answers nor reach a
    # terminal.
    with tempfile.TemporaryFile() as printed:
        os.dup2(printed.fileno(), 1)
        os.dup2(printed.fileno(), 2)
        _limit_memory()
        while True:
            try:
                request, payload = _receive(questions)
            except EOFError:
                return
            _limit_time(request["seconds"])
            printed.seek(0)
            printed.truncate()
            record, array = _answer(request, payload)
            printed.seek(0)
            record["said"] = printed.read(10_000).decode("utf-8", "replace")
            _send(answers, record, np.ascontiguousarray(array).tobytes())


def _answer(request: dict[str, Any], payload: bytes) -> tuple[dict[str, Any], np.ndarray]:
    nothing = np.zeros(0, np.uint8)
    try:
        decode = getattr(importlib.import_module(request["module"]), request["function"])
        record, array = decode(payload, **request["known"])
    except FilmError as error:
        return {"error": "FilmError", "words": str(error)}, nothing
    except NotImplementedError as error:
        return {"error": "NotImplementedError", "words": str(error)}, nothing
    except Exception as error:
        # Damaged bytes make decoders fail in as many ways as they have statements.
        return {"error": type(error).__name__}, nothing
    if array.dtype.kind not in "iub" or array.size == 0:
        return {"error": "no whole numbers"}, nothing
    return {"error": None, "record": record, "dtype": array.dtype.str, "shape": array.shape}, array


def _limit_memory() -> None:
    with suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _limit_time(seconds: float) -> None:
    with suppress(ImportError, OSError, ValueError):
        import resource
        import time

        used = time.process_time()
        most = resource.getrlimit(resource.RLIMIT_CPU)[1]
        resource.setrlimit(resource.RLIMIT_CPU, (int(used + seconds) + 1, most))
