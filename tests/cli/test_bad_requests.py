"""Bad input gets one sentence, exit code 2, and nothing is written."""

import json
import os
import signal
import subprocess
import sys

import pytest

import workbench as wb
from workbench.cli import main, workers
from workbench.cli.faults import guarded
from workbench.errors import Cancelled, WorkbenchError
from workbench.simulate import write_simulation

GOOD = {"kind": "post-stack recipe", "version": 1, "title": "", "steps": [{"do": "stretch"}]}


@pytest.fixture(scope="module")
def stack(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stacks")
    write_simulation("hayfield_stars", folder / "s.tif", shape=(96, 128))
    return folder / "s.tif"


@pytest.fixture
def refused(capsys, tmp_path):
    """Run a command that must be refused; gives back the sentence."""

    def run(*arguments):
        before = sorted(tmp_path.rglob("*"))
        assert main([str(a) for a in arguments]) == 2
        said = capsys.readouterr()
        assert sorted(tmp_path.rglob("*")) == before, "something was written"
        assert said.out == ""
        assert said.err.startswith("workbench: ")
        assert said.err.count("\n") == 1, "more than one line"
        assert "Traceback" not in said.err
        return said.err

    return run


def recipe_file(tmp_path, content):
    path = tmp_path / "r.json"
    path.write_bytes(content if isinstance(content, bytes) else json.dumps(content).encode())
    return path


def step(**entries):
    return GOOD | {"steps": [entries]}


BAD_RECIPES = {
    "not JSON": (b"{", "not JSON"),
    "empty": (b"", "not JSON"),
    "binary": (b"\x93\xff\x00\x01" * 9, "not text"),
    "a list": ([], "not a recipe"),
    "another kind": ({"kind": "shopping list"}, "not a recipe"),
    "a newer version": (GOOD | {"version": 99}, "version 99"),
    "a version of another type": (GOOD | {"version": "1"}, "version '1'"),
    "an unknown entry": (GOOD | {"stepps": []}, "'stepps'"),
    "no steps": ({"kind": "post-stack recipe", "version": 1}, "list of steps"),
    "a step that is no object": (GOOD | {"steps": [3]}, "step 1"),
    "an unknown operation": (step(do="strech"), "'strech'"),
    "a typo in a setting": (step(do="stretch", **{"with": {"curv": "asinh"}}), "'curv'"),
    "a wrong type": (step(do="stretch", **{"with": {"sky": "bright"}}), "sky"),
    "out of range": (step(do="stretch", **{"with": {"sky": 7}}), "0.01 to 0.6"),
    "an unknown choice": (step(do="stretch", **{"with": {"curve": "magic"}}), "curve"),
    "settings of the wrong kind": (step(do="stretch", **{"with": [1]}), "'with' must be an object"),
    "on that is no truth": (step(do="stretch", on="yes"), "'on' must be true or false"),
    "a wrong mask": (step(do="denoise", where={"kind": "stars", "size": 99}), "stars.size cannot be 99"),
    "an unknown entry in a step": (step(do="stretch", colour=1), "'colour'"),
    "two stretches": (GOOD | {"steps": [{"do": "stretch"}, {"do": "stretch"}]}, "step 2 (stretch)"),
    "the wrong order": (GOOD | {"steps": [{"do": "stretch"}, {"do": "denoise"}]}, "step 2 (denoise)"),
    "10,000 steps": (GOOD | {"steps": [{"do": "level_sky"}] * 10_000}, "10000 steps"),
    "nested junk": (b'{"kind": ' * 40_000, "nested too deeply"),
    "not a number": (b'{"kind": "post-stack recipe", "version": NaN}', "NaN"),
    "a name twice": (b'{"kind": "post-stack recipe", "kind": "x"}', "twice"),
}


@pytest.mark.parametrize("name", list(BAD_RECIPES))
def test_a_recipe_that_cannot_be_used_is_refused_in_a_sentence(name, stack, tmp_path, refused):
    content, told = BAD_RECIPES[name]
    said = refused("run", recipe_file(tmp_path, content), stack, "-o", tmp_path / "out.tif")
    assert told in said


BAD_STACKS = {
    "missing": (None, "there is no such file"),
    "empty": (b"", "empty"),
    "zeros": (bytes(5000), "only zeros"),
    "text": (b"hello, I am a picture", "not a TIFF"),
    "truncated": ("cut", "cut off"),
}


@pytest.mark.parametrize("name", list(BAD_STACKS))
@pytest.mark.parametrize("command", ["check", "suggest", "run", "lesson"])
def test_a_stack_that_cannot_be_read_is_refused_in_a_sentence(name, command, stack, tmp_path, refused):
    content, told = BAD_STACKS[name]
    path = tmp_path / "bad.tif"
    if content is not None:
        path.write_bytes(stack.read_bytes()[:3000] if content == "cut" else content)
    recipe = recipe_file(tmp_path, GOOD)
    out = tmp_path / ("out.html" if command == "lesson" else "out.json" if command == "suggest" else "out.tif")
    arguments = {"check": (path,), "suggest": (path, "-o", out)}.get(command, (recipe, path, "-o", out))
    said = refused(command, *arguments)
    assert "bad.tif" in said
    assert told in said


def test_a_folder_in_place_of_a_stack_is_refused(tmp_path, refused):
    assert "is a folder" in refused("check", tmp_path)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="nothing is locked for this user")
def test_a_locked_stack_is_refused(stack, tmp_path, refused):
    locked = tmp_path / "locked.tif"
    locked.write_bytes(stack.read_bytes())
    locked.chmod(0)
    assert "no permission" in refused("check", locked)


def test_missing_recipes_and_records_are_refused(stack, tmp_path, refused):
    recipe = recipe_file(tmp_path, GOOD)
    out = tmp_path / "o.tif"
    assert "does not exist" in refused("run", tmp_path / "none.json", stack, "-o", out)
    assert "does not exist" in refused("run", recipe, stack, "-o", out, "--facts", tmp_path / "none.json")
    assert "not a run record" in refused("run", recipe, stack, "-o", out, "--verify", recipe)
    assert "does not exist" in refused("diff", recipe, tmp_path / "none.json")
    assert "carries no recipe" in refused("recipe", stack)


def test_facts_of_another_recipe_are_refused(stack, tmp_path, refused):
    wb.Recipe([wb.LevelSky()]).run(wb.read(stack), progress=False).record.save(tmp_path / "x.json")
    recipe = recipe_file(tmp_path, GOOD)
    said = refused("run", recipe, stack, "-o", tmp_path / "o.tif", "--facts", tmp_path / "x.json")
    assert "do not fit" in said


OUTPUTS = {
    "a folder that is missing": ("none/o.tif", "does not exist"),
    "an unknown suffix": ("o.bmp", "must end in"),
    "no suffix": ("o", "must end in"),
}


@pytest.mark.parametrize("name", list(OUTPUTS))
def test_an_output_that_cannot_be_written_is_refused_before_the_stack_is_read(
    name, stack, tmp_path, refused, monkeypatch
):
    monkeypatch.setattr("workbench.cli.files.read", lambda *a, **k: pytest.fail("read before the output was checked"))
    output, told = OUTPUTS[name]
    assert told in refused("run", recipe_file(tmp_path, GOOD), stack, "-o", tmp_path / output)


def test_requests_that_make_no_sense_are_refused(stack, tmp_path, refused, monkeypatch):
    recipe = recipe_file(tmp_path, GOOD)
    assert "say where the picture goes" in refused("run", recipe, stack)
    assert "--quality is for JPEG" in refused("run", recipe, stack, "-o", tmp_path / "o.tif", "--quality", 90)
    assert "--float" in refused("run", recipe, stack, "-o", tmp_path / "o.png", "--float")
    assert "has 1 step" in refused("run", recipe, stack, "-o", tmp_path / "o.png", "--upto", 4)
    linear = recipe_file(tmp_path, step(do="level_sky"))
    monkeypatch.setattr("workbench.engine.Recipe.run", lambda *_, **__: pytest.fail("the recipe was run"))
    assert "almost black" in refused("run", linear, stack, "-o", tmp_path / "o.png")
    apart = recipe_file(tmp_path, GOOD | {"steps": [{"do": name} for name in ("split_stars", "join_stars", "stretch")]})
    assert "almost black" in refused("run", apart, stack, "-o", tmp_path / "o.png", "--layers")
    assert "both be written" in refused("run", recipe, stack, stack, "-o", tmp_path / "made")
    assert "width x height" in refused("simulate", "hayfield_stars", "-o", tmp_path / "s.tif", "--size", "12by3")
    assert "no scene" in refused("simulate", "nothing", "-o", tmp_path / "s.tif")
    assert "-o STACK.tif" in refused("simulate", "hayfield_stars")
    assert "must end in" in refused("lesson", recipe, stack, "-o", tmp_path / "l.docx")


def test_one_stack_needs_the_name_of_a_picture_and_several_a_folder(stack, tmp_path, refused):
    second = tmp_path / "t.tif"
    second.write_bytes(stack.read_bytes())
    recipe = recipe_file(tmp_path, GOOD)
    assert "or be that of a folder that exists" in refused("run", recipe, stack, "-o", tmp_path / "pictures")
    assert "need a folder" in refused("run", recipe, stack, second, "-o", tmp_path / "all.png")


def test_a_folder_made_for_results_does_not_stay_without_any(stack, tmp_path, capsys):
    damaged = [tmp_path / "a.tif", tmp_path / "b.tif"]
    for path in damaged:
        path.write_bytes(stack.read_bytes()[:3000])
    recipe = recipe_file(tmp_path, GOOD)
    before = sorted(tmp_path.rglob("*"))
    assert main(["run", *map(str, (recipe, *damaged, "-o", tmp_path / "made" / "here"))]) == 2
    assert "2 of 2 stacks could not be used; 0 pictures were written" in capsys.readouterr().err
    assert sorted(tmp_path.rglob("*")) == before


def test_a_picture_without_its_record_is_told(stack, tmp_path, capsys, monkeypatch):
    def full(*_, **__):
        raise WorkbenchError("cannot write o.record.json: no space is left on the disk; nothing was written")

    monkeypatch.setattr("workbench.engine.Record.save", full)
    out = tmp_path / "o.png"
    assert main(["run", str(recipe_file(tmp_path, GOOD)), str(stack), "-o", str(out), "--record", "-q"]) == 2
    said = capsys.readouterr().err
    assert f"the picture {out} was written without its record" in said
    assert "nothing was written" not in said
    assert out.is_file()


def test_usage_errors_are_one_sentence(refused, tmp_path):
    assert "no such command" in refused("devlop")
    assert "no such option" in refused("check", "--jso", "x.tif")
    assert "missing argument" in refused("run")
    assert "--upto" in refused("run", "r.json", "s.tif", "-o", "o.tif", "--upto", "many")
    assert "workbench run --help" in refused("run", "r.json", "s.tif", "--quality", 900)


def test_a_finished_picture_gets_no_suggestion(stack, tmp_path, refused):
    wb.Recipe([wb.Stretch()]).run(wb.read(stack), progress=False).save(tmp_path / "p.tif")
    assert "finished picture" in refused("suggest", tmp_path / "p.tif", "-o", tmp_path / "r.recipe.json")


def test_a_file_can_be_taken_for_linear_all_the_same(stack, tmp_path, capsys):
    wb.Recipe([wb.Stretch()]).run(wb.read(stack), progress=False).save(tmp_path / "p.tif")
    assert main(["check", str(tmp_path / "p.tif"), "--linear", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["tone"] == "linear"


def test_a_stack_of_one_pixel_is_measured_but_gets_no_recipe(tmp_path, capsys):
    wb.Stack.from_array([[[0.1, 0.2, 0.3]]]).save(tmp_path / "dot.tif")
    assert main(["check", str(tmp_path / "dot.tif")]) == 0
    assert main(["suggest", str(tmp_path / "dot.tif")]) == 2
    assert "too small to measure" in capsys.readouterr().err


def test_an_interrupt_says_that_nothing_was_written(stack, tmp_path, capsys, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("workbench.cli.files.read", interrupted)
    assert main(["run", str(recipe_file(tmp_path, GOOD)), str(stack), "-o", str(tmp_path / "o.tif")]) == 130
    assert capsys.readouterr().err == "workbench: stopped; nothing was written\n"
    assert not (tmp_path / "o.tif").exists()


def test_an_interrupt_among_several_stacks_says_how_many_were_kept(stack, tmp_path, capsys, monkeypatch):
    second = tmp_path / "t.tif"
    second.write_bytes(stack.read_bytes())
    real, calls = wb.read, []

    def once(path, **options):
        calls.append(path)
        if len(calls) > 1:
            raise KeyboardInterrupt
        return real(path, **options)

    monkeypatch.setattr("workbench.cli.files.read", once)
    monkeypatch.setattr("workbench.cli.running.in_child", workers.here)
    recipe = recipe_file(tmp_path, GOOD)
    assert main(["run", str(recipe), str(stack), str(second), "-o", str(tmp_path / "made"), "-q"]) == 130
    assert capsys.readouterr().err == "workbench: stopped; 1 finished picture was kept\n"


def test_a_full_disk_leaves_no_debris(stack, tmp_path, capsys, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("workbench.io.atomic.os.fsync", full)
    out = tmp_path / "made"
    out.mkdir()
    assert main(["run", str(recipe_file(tmp_path, GOOD)), str(stack), "-o", str(out / "o.tif"), "-q"]) == 2
    assert "no space is left" in capsys.readouterr().err
    assert list(out.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="a shell's pipe")
def test_a_reader_that_leaves_early_is_no_fault():
    code = "from workbench.cli import main; import sys; sys.exit(main(['steps', '--schema']))"
    command = f'"{sys.executable}" -c "{code}" | head -c 10 > /dev/null; echo ${{PIPESTATUS[0]}}'
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert done.stdout == "0\n"


@pytest.mark.parametrize(
    ("error", "code", "told"),
    [
        (Cancelled("the run was stopped; nothing was written"), 130, "stopped"),
        (MemoryError(), 2, "not enough free memory"),
        (PermissionError(13, "Permission denied", "x.tif"), 2, "x.tif: Permission denied"),
        (ZeroDivisionError("division by zero"), 2, "a fault of the program, not of yours"),
    ],
)
def test_whatever_goes_wrong_is_told_in_a_sentence(error, code, told, capsys, monkeypatch):
    monkeypatch.delenv("WORKBENCH_TRACEBACK", raising=False)

    def fail():
        raise error

    assert guarded(fail) == code
    said = capsys.readouterr().err
    assert told in said
    assert said.count("\n") == 1


def test_the_traceback_of_a_fault_of_the_program_can_be_asked_for(monkeypatch):
    monkeypatch.setenv("WORKBENCH_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        guarded(lambda: 1 / 0)


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_request_to_end_leaves_no_part_of_a_file(name, tmp_path):
    """As sent by ``kill``, a system that shuts down, a terminal that closes."""
    program = f"""
import os, signal, sys
from workbench import io
from workbench.cli.faults import guarded

signal.signal(signal.{name}, signal.SIG_DFL)  # whatever the tests were started with

def work():
    with io.atomic_write({str(tmp_path / "o.tif")!r}) as file:
        file.write(bytes(1000))
        file.flush()
        assert os.listdir({str(tmp_path)!r}), "the temporary file"
        os.kill(os.getpid(), signal.{name})
        for _ in range(1000):  # the handler runs between two steps of the interpreter
            pass
        raise AssertionError("went on")

sys.exit(guarded(work))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.stderr == "workbench: stopped; nothing was written\n"
    assert done.returncode == 130
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_signals_are_given_back_and_an_ignored_one_stays_ignored():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        seen = []
        assert guarded(lambda: seen.extend(map(signal.getsignal, (signal.SIGTERM, signal.SIGHUP)))) == 0
        assert seen == [signal.default_int_handler, signal.SIG_IGN]
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--threads", "0"), "'--threads': "),
        (("--upto", "many"), "'--upto': "),
        (("--white-level", "abc"), "'--white-level': "),
        (("--format", "bmp"), "'--format': 'bmp' is not one of 'tif', 'fits', 'png', 'jpg'"),
        (("--forc",), "--forc"),
    ],
)
def test_a_mistyped_command_is_told_in_plain_words(arguments, told, refused):
    said = refused("run", "r.json", "s.tif", *arguments)
    assert told in said
    assert said.endswith("; see 'workbench run --help'\n")
    assert "Input" not in said
    assert "parse" not in said
    assert ("(did you mean " in said) == (arguments == ("--forc",))


def test_the_command_that_was_probably_meant_is_told(refused):
    assert refused("chekc") == "workbench: no such command 'chekc' (did you mean 'check'?); see 'workbench --help'\n"
    assert refused() == "workbench: no command was given; 'workbench --help' lists them\n"
