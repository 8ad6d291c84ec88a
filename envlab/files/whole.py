"""Files and folders of files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path

from envlab.errors import FileError

# In a folder that is ready to be moved into place: the new files, and the names of the old ones that go.
_NEW, _GONE = "new", "gone"


def write_whole(path: str | Path, content: bytes) -> None:
    """Write a file under another name in the same folder, then move it into place.

    An old file of that name is replaced in one step. Raises FileError; then the old file stands untouched
    and nothing half-written is left.
    """
    write_pieces(path, (content,))


def write_pieces(path: str | Path, pieces: Iterable[bytes]) -> None:
    """Write a file as write_whole does, piece by piece, so that it may be larger than memory.

    Whatever goes wrong while the pieces are made leaves no file either.
    """
    target = Path(path)
    draft = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        try:
            with draft.open("xb") as file:
                for piece in pieces:
                    file.write(piece)
                _keep(file, b"")
            draft.replace(target)
        finally:
            draft.unlink(missing_ok=True)
    except OSError as error:
        raise FileError(f"{target}: cannot be written: {error.strerror or error}") from error


def read_whole(path: str | Path) -> bytes:
    """Return the bytes of a file. Raises FileError."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise FileError(f"{path}: cannot be read: {error.strerror or error}") from error


def check_folder(folder: Path, *, force: bool) -> None:
    """Raise FileError if results cannot go there: files in it and no force, or not writable.

    What a run that was killed left half moved is moved to its end first.
    """
    if folder.exists() and not folder.is_dir():
        raise FileError(f"{folder}: is a file; results need a folder")
    ground = folder if folder.is_dir() else _nearest_existing(folder)
    if not os.access(ground, os.W_OK | os.X_OK):
        raise FileError(f"{folder}: cannot be written ({ground} is not yours to write in)")
    restore_folder(folder)
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise FileError(f"{folder}: has files already; give --force to replace results, or another --out")


def write_folder(folder: Path, files: dict[str, bytes], *, replaces: Collection[str] = ()) -> None:
    """Put files into a folder, all of them or none; other files there stay.

    They are written beside it (within it, where it is a disk of its own, such as a memory card), on the disk
    before anything else happens, and then declared ready in one step. Whoever is killed before that step has
    changed nothing; whoever is killed after it leaves a folder that restore_folder, and so the next run,
    moves to its end.

    Parameters
    ----------
    folder : path
        Where the files go.
    files : dict
        Name → content.
    replaces : collection of str
        Names that an earlier run may have left; those that are not among the files go, so that no table of
        another design lies beside this one's.

    Raises
    ------
    FileError
        If anything cannot be written; the folder is then left as it was.
    """
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        restore_folder(folder)
        ready = _ready(folder)
        staging = Path(tempfile.mkdtemp(prefix=f"{ready.stem}-", dir=ready.parent))
        try:
            (staging / _NEW).mkdir()
            for name, content in files.items():
                with (staging / _NEW / name).open("wb") as file:
                    _keep(file, content)
            with (staging / _GONE).open("wb") as file:
                _keep(file, "\n".join(sorted(set(replaces) - set(files))).encode())
            for written in (staging / _NEW, staging):
                _keep_names(written)
            folder.mkdir(exist_ok=True)
            staging.rename(ready)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
        restore_folder(folder)
    except OSError as problem:
        raise FileError(f"{folder}: cannot be written ({problem.strerror})") from None


def restore_folder(folder: Path) -> bool:
    """Finish what a killed write_folder had declared ready; return whether there was anything to finish.

    Parameters
    ----------
    folder : path
        As given to write_folder.

    Raises
    ------
    FileError
        If something cannot be moved; the next call goes on from there.
    """
    ready = _ready(folder)
    if not (ready / _GONE).is_file():
        return False
    try:
        folder.mkdir(exist_ok=True)
        for name in (ready / _GONE).read_text().split():
            (folder / name).unlink(missing_ok=True)
        for new in sorted((ready / _NEW).iterdir()):
            new.replace(folder / new.name)
        _keep_names(folder)
        shutil.rmtree(ready)
    except OSError as problem:
        raise FileError(f"{folder}: cannot be written ({problem.strerror})") from None
    return True


@contextlib.contextmanager
def claimed(path: Path) -> Iterator[None]:
    """Keep a file or folder of results for this process while the block runs.

    The claim ends with the process, however that ends.

    Parameters
    ----------
    path : path
        What will be written.

    Raises
    ------
    FileError
        If another process is writing there.
    """
    import filelock

    # Not beside the results: whoever finds a file there wants to know what it is.
    user = os.getuid() if hasattr(os, "getuid") else 0
    name = hashlib.sha256(str(path.resolve()).encode()).hexdigest()[:24]
    lock = filelock.FileLock(Path(tempfile.gettempdir()) / f"envlab-{user}-{name}.lock", timeout=0)
    try:
        lock.acquire()
    except filelock.Timeout:
        raise FileError(
            f"{path}: another envlab is writing there; wait for it, or give another --out"
        ) from None
    except OSError:  # nowhere to keep the claim: as good as one can
        yield
        return
    try:
        yield
    finally:
        lock.release()


def _ready(folder: Path) -> Path:
    """Where new files wait until all of them are there: on the disk on which the folder is, so that they can
    be moved into it."""
    real = folder.resolve()
    around = real.parent
    if real.is_dir() and (real.stat().st_dev != around.stat().st_dev or not os.access(around, os.W_OK)):
        around = real
    return around / f".{real.name}.ready"


def _keep(file: object, content: bytes) -> None:
    """Write and see to it that the bytes are on the disk."""
    file.write(content)  # type: ignore[attr-defined]
    file.flush()  # type: ignore[attr-defined]
    os.fsync(file.fileno())  # type: ignore[attr-defined]


def _keep_names(folder: Path) -> None:
    """See to it that the names of a folder's files are on the disk, where the system can do that."""
    with contextlib.suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def _nearest_existing(path: Path) -> Path:
    for parent in path.resolve().parents:
        if parent.is_dir():
            return parent
    return Path("/")
