"""Output files: all of a command's appear or none, whatever goes wrong and when (rename as POSIX has it)."""

import os
import sys
from pathlib import Path
from tempfile import mkdtemp

import pytest
from compare.machines import drive_alone

from cli.running import DEMO, QUICK, python, typed
from driveloss.errors import InputError, OutputError
from driveloss.say.files import file_name, write_all, write_folder
from driveloss.say.rooms import hidden_room

LONGEST = 255  # bytes of a file name: NAME_MAX of Linux, in limits.h


def everything(folder):
    """Every path below a folder, and what the files hold."""
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None for p in folder.rglob("*")}


def failing(monkeypatch, method, at):
    """Let a method of Path fail where `at` says so of the path it is called for and its arguments."""
    original = getattr(Path, method)

    def fails(path, *rest):
        if at(path, *rest):
            raise OSError(28, "No space left on device")
        return original(path, *rest)

    monkeypatch.setattr(Path, method, fails)


def test_files_appear_together_and_nothing_else_does(tmp_path):
    (tmp_path / "old").write_bytes(b"before")
    write_all({tmp_path / "old": b"after", tmp_path / "new": b"fresh"})
    assert everything(tmp_path) == {"old": b"after", "new": b"fresh"}


@pytest.mark.parametrize(
    ("method", "at"),
    [
        ("write_bytes", lambda path, data: data == b"2"),
        ("replace", lambda path, target: target.name == "second"),
    ],
)
@pytest.mark.parametrize("before", [{}, {"first": b"a"}, {"second": b"b"}, {"first": b"a", "second": b"b"}])
def test_where_one_fails_all_is_as_before(before, method, at, tmp_path, monkeypatch):
    for name, content in before.items():
        (tmp_path / name).write_bytes(content)
    failing(monkeypatch, method, at)
    with pytest.raises(OutputError, match=r"second: cannot be written: No space left on device"):
        write_all({tmp_path / "first": b"1", tmp_path / "second": b"2", tmp_path / "third": b"3"})
    assert everything(tmp_path) == before


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("nowhere/x", "its folder is missing"),
        ("file/x", "its folder is missing"),
        ("folder", "it is a folder"),
        ("pipe", "it is no plain file"),
        ("x" * (LONGEST + 1), "File name too long"),
        ("./good", "named for two outputs"),
        ("folder/../good", "named for two outputs"),
    ],
)
def test_a_target_that_cannot_be_is_found_before_anything_is_written(name, reason, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("file").write_bytes(b"kept")
    Path("folder").mkdir()
    os.mkfifo("pipe")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(OutputError, match=reason):
        write_all({Path("good"): b"", tmp_path / name: b""})
    assert sorted(tmp_path.rglob("*")) == before


def test_the_longest_name_can_be_written(tmp_path):
    write_all({tmp_path / ("x" * LONGEST): b"long"})
    assert everything(tmp_path) == {"x" * LONGEST: b"long"}


def test_a_file_is_as_open_to_others_as_any_new_file(tmp_path):
    (tmp_path / "plain").write_bytes(b"")
    write_all({tmp_path / "ours": b""})
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode


FILES = {"one.csv": b"1", "two.csv": b"2"}


@pytest.mark.parametrize("place", ["new", "deep/down/new", "empty", "."])
def test_a_folder_is_filled(place, tmp_path, monkeypatch):
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path if place != "." else tmp_path / "empty")
    assert write_folder(Path(place), FILES) == [Path(place, name) for name in FILES]
    assert everything(Path(place)) == FILES
    assert [path.name for path in tmp_path.rglob(".*")] == []


@pytest.mark.parametrize("place", ["new", "deep/down/new", "empty"])
def test_a_folder_that_cannot_be_filled_is_as_before(place, tmp_path, monkeypatch):
    (tmp_path / "empty").mkdir()
    failing(monkeypatch, "write_bytes", lambda path, data: data == b"2")
    with pytest.raises(OutputError, match=r"cannot be written: No space left on device"):
        write_folder(tmp_path / place, FILES)
    assert everything(tmp_path) == {"empty": None}


def test_a_folder_with_something_in_it_is_refused(tmp_path):
    (tmp_path / "mine.txt").write_bytes(b"precious")
    with pytest.raises(InputError, match="expected a new or an empty folder, found one with files"):
        write_folder(tmp_path, FILES)
    with pytest.raises(InputError, match="expected a new or an empty folder, found a file"):
        write_folder(tmp_path / "mine.txt", FILES)
    with pytest.raises(OutputError, match="cannot be written"):
        write_folder(tmp_path / "mine.txt" / "below", FILES)
    assert everything(tmp_path) == {"mine.txt": b"precious"}


def test_a_file_s_name_cannot_lead_out_of_its_folder(tmp_path):
    with pytest.raises(OutputError, match=r"cannot be written: '\.\./out\.csv' is no name of a file"):
        write_folder(tmp_path / "new", {"../out.csv": b""})
    assert everything(tmp_path) == {}


def test_a_link_stays_one_and_a_mode_is_kept(tmp_path):
    target, link = tmp_path / "far" / "page.html", tmp_path / "link.html"
    target.parent.mkdir()
    target.write_bytes(b"before")
    target.chmod(0o600)
    link.symlink_to(target)
    write_all({link: b"after"})
    assert link.is_symlink()
    assert (target.read_bytes(), target.stat().st_mode & 0o777) == (b"after", 0o600)


def test_a_new_file_honours_the_mask(tmp_path):
    mask = os.umask(0o077)
    try:
        write_all({tmp_path / "ours": b""})
    finally:
        os.umask(mask)
    assert (tmp_path / "ours").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(("command", "name"), [("calibrate", "calibration.json"), ("report", "report.html")])
def test_a_file_that_is_not_ours_is_kept_unless_forced(command, name, tmp_path):
    bench = drive_alone(DEMO, tmp_path / "bench")
    (bench / name).write_bytes(b"somebody's own")
    outcome = typed(command, bench, *QUICK)
    assert outcome.code == 2
    assert f"{name}: cannot be written: it holds something else" in " ".join(outcome.err.split())
    assert (bench / name).read_bytes() == b"somebody's own"
    assert typed(command, bench, "--force", *QUICK).code == 0
    assert typed(command, bench, *QUICK).code == 0, "the program's own"


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_a_figure_is_drawn_beside_the_answer_and_known_again(ending, calibration, tmp_path):
    figure = tmp_path / f"figure.{ending}"
    for _ in range(2):
        asked = ("breakdown", DEMO, "--calibration", calibration, "--draw", "flow", "--figure", figure)
        assert typed(*asked).code == 0
        assert figure.read_bytes().startswith({"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[ending])


KILLED_AT_EACH = """
import os, signal, sys
from pathlib import Path
from driveloss.say.files import write_all, write_folder

def write(folder, place, number):
    left = [number]

    def kill(event, _):
        left[0] -= event in ("os.mkdir", "open", "os.rename", "os.remove", "os.rmdir", "os.chmod")
        if left[0] == 0:
            left[0] = -1
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(kill)
    if place == "files":
        write_all({folder / "one.csv": b"1", folder / "two.csv": b"2"})
    else:
        write_folder(folder / place, {"one.csv": b"1", "two.csv": b"2"})
    os._exit(0)

for number, folder in enumerate(sys.argv[2:], start=1):
    if (child := os.fork()) == 0:
        write(Path(folder), sys.argv[1], number)
    if os.waitpid(child, 0)[1] == 0:
        print(number)
        break
"""
MOST_STEPS = 60  # more than writing two files takes


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
@pytest.mark.parametrize("place", ["files", "new", "."])
def test_killed_at_any_step_the_next_run_clears_what_is_left_and_writes(place, tmp_path):
    folders = [tmp_path / str(number) for number in range(1, MOST_STEPS)]
    for folder in folders:
        folder.mkdir()
        if place == "files":
            (folder / "two.csv").write_bytes(b"before")
    steps = int(python(KILLED_AT_EACH, place, *folders).out)  # nothing, where it never ran to its end
    for number, folder in enumerate(folders[:steps], start=1):
        target = folder / place if place == "new" else folder
        if place == "files":
            assert (folder / "two.csv").read_bytes() in (b"before", b"2"), number
            write_all({folder / name: content for name, content in FILES.items()})
        elif (
            not target.is_dir() or not FILES.items() <= everything(target).items()
        ):  # a whole folder is refused, a part of one never
            write_folder(target, FILES)
        write_all({folder / "next": b""})
        (folder / "next").unlink()
        assert everything(target) == FILES, number
        assert target == folder or list(folder.iterdir()) == [target], number
    assert steps > 5


def left_behind(folder, *parts):
    """A room as a killed run leaves it."""
    room = Path(mkdtemp(prefix=".driveloss-", dir=folder))
    for part in parts:
        (room / part).mkdir()
        for name, content in FILES.items():
            (room / part / name).write_bytes(content)
    return room


@pytest.mark.skipif(sys.platform == "win32", reason="no locks of folders")
def test_what_is_in_use_or_not_ours_is_never_cleared(tmp_path):
    notes, mine = tmp_path / ".driveloss-notes", left_behind(tmp_path, "new")
    notes.mkdir()
    (notes / "new").write_bytes(b"somebody's own")
    (mine / "precious").write_bytes(b"somebody's own")
    with hidden_room(tmp_path) as used, hidden_room(tmp_path) as other:
        left = left_behind(tmp_path, "new")
        write_all({tmp_path / "one.csv": b"1"})
        assert used.is_dir()
        assert other.is_dir()
        assert not left.exists()
    assert sorted(everything(tmp_path)) == sorted(
        ["one.csv", *(str(p.relative_to(tmp_path)) for p in (notes, notes / "new", mine, mine / "precious"))]
    )


@pytest.mark.skipif(sys.platform == "win32", reason="no locks of folders")
@pytest.mark.parametrize(("content", "stays"), [(b"1", False), (b"1, and an hour of typing", True)])
def test_what_was_changed_after_a_kill_is_kept(content, stays, tmp_path):
    (left_behind(tmp_path, "kept", "new") / "new" / "one.csv").rename(tmp_path / "one.csv")
    (tmp_path / "one.csv").write_bytes(content)
    if stays:
        with pytest.raises(InputError, match="expected a new or an empty folder, found one with files in it"):
            write_folder(tmp_path, FILES)
        assert (tmp_path / "one.csv").read_bytes() == content
    else:
        write_folder(tmp_path, FILES)
        assert everything(tmp_path) == FILES


@pytest.mark.parametrize("name", ["../../x", "/tmp/x", "a:b*?", "n" * 300, "..", ".hidden", "\x1b[2J", "é" * 200])
def test_a_name_made_safe_stays_in_its_folder(name, tmp_path):
    (path,) = write_folder(tmp_path / "new", {f"{file_name(name)}.csv": b""})
    assert path.resolve().parent == tmp_path / "new"
    assert not path.name.startswith(".")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="nothing is closed to this user")
class TestAsAnOrdinaryUser:
    def test_a_protected_file_is_kept(self, tmp_path):
        (tmp_path / "c.json").write_bytes(b"kept")
        (tmp_path / "c.json").chmod(0o444)
        with pytest.raises(OutputError, match=r"c\.json: cannot be written: it is protected"):
            write_all({tmp_path / "c.json": b""})
        assert everything(tmp_path) == {"c.json": b"kept"}

    @pytest.mark.parametrize("mode", [0o000, 0o444, 0o111, 0o333])
    @pytest.mark.parametrize("command", ["calibrate", "batch"])
    def test_a_bench_in_a_closed_folder_is_refused_in_one_message(self, command, mode, bench):
        bench.chmod(mode)
        try:
            outcome = typed(command, bench, *QUICK)
        finally:
            bench.chmod(0o755)
        assert outcome.code == 2
        assert "bench" in outcome.err
        assert "Traceback" not in outcome.err

    @pytest.mark.parametrize(
        "words", [("calibrate", "-o", "c.json"), ("report", "-o", "r.html"), ("batch", "-o", "b.html")]
    )
    def test_a_closed_output_folder_is_told_before_the_work(self, words, bench, tmp_path):
        closed = tmp_path / "closed"
        closed.mkdir(mode=0o555)
        command, *flags, name = words
        outcome = typed(command, bench, *flags, closed / name)
        assert outcome.code == 2
        assert "its folder is missing or closed" in " ".join(outcome.err.split())
