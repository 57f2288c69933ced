"""The program of deploy/board on CPython, with stubs for the board's modules: what its backlog keeps, drops and survives."""

import json
import os
import sys
import tempfile
import types
from pathlib import Path


class Anything:
    """A module, a class or a pin that does nothing."""

    def __getattr__(self, name):
        return Anything()

    def __call__(self, *args, **kwargs):
        return Anything()


class Answer:
    def __init__(self, status, refused):
        self.status_code, self.text = status, ""
        self.refused = refused

    def json(self):
        return {"accepted": 0, "refused": self.refused}

    def close(self):
        pass


class Service:
    """Keeps what is posted, or answers as a test says: a status, or by record `None`, "retry" or "permanent"."""

    def __init__(self):
        self.kept, self.posts, self.says = [], 0, lambda record: None

    def post(self, url, data, headers, timeout):
        self.posts += 1
        pack = json.loads(data)
        assert 0 < len(pack) <= 60, len(pack)
        told = [self.says(record) for record in pack]
        if any(isinstance(t, int) for t in told):
            return Answer(next(t for t in told if isinstance(t, int)), [])
        if "unplugged" in told:
            raise OSError("no route")
        self.kept += [record for record, t in zip(pack, told) if t is None]
        return Answer(200, [{"index": i, "remedy": t, "reason": t} for i, t in enumerate(told) if t is not None])


def board(service):
    for name in ["machine", "network", "ntptime", "onewire", "ds18x20"]:
        sys.modules[name] = Anything()
    sys.modules["urequests"] = types.SimpleNamespace(post=service.post)
    main = types.ModuleType("board")
    source = Path(__file__).parent / "../../deploy/board/main.py"
    exec(compile(source.read_text(), "main.py", "exec"), main.__dict__)
    return main


def record(t):
    return {"n": "p1", "u": "Cel", "t": t, "v": 2.5}


def lines():
    text = Path("backlog.txt").read_text() if os.path.exists("backlog.txt") else ""
    return [line for line in text.splitlines() if line]


def times(records):
    return [r["t"] for r in records]


def everything_is_sent_once_in_packs(main, service):
    for t in range(150):
        main.remember(record(t))
    main.send()
    assert times(service.kept) == list(range(150)) and service.posts == 3
    assert lines() == []
    main.send()
    assert service.posts == 3


def a_line_that_was_cut_is_passed_over_and_takes_no_other_with_it(main, service):
    main.remember(record(1))
    with open("backlog.txt", "a") as f:
        f.write('\n{"n": "p1", "u": "Ce')
    main.remember(record(2))
    main.send()
    assert times(service.kept) == [1, 2] and lines() == []


def what_is_to_be_sent_again_stays_and_what_is_refused_for_good_goes(main, service):
    for t in range(10):
        main.remember(record(t))
    service.says = lambda r: "retry" if r["t"] in (3, 4) else "permanent" if r["t"] == 7 else None
    main.send()
    assert times(service.kept) == [0, 1, 2, 5, 6, 8, 9]
    assert times(map(json.loads, lines())) == [3, 4]
    service.says = lambda r: None
    main.send()
    assert times(service.kept)[-2:] == [3, 4] and lines() == []


def a_name_that_is_not_known_yet_loses_nothing_and_is_not_asked_over_and_over(main, service):
    for t in range(200):
        main.remember(record(t))
    service.says = lambda r: "retry"
    main.send()
    assert service.posts == 1 and len(lines()) == 200
    service.says = lambda r: None
    main.send()
    assert times(service.kept) == list(range(200))


def nothing_is_lost_where_the_network_or_the_service_fails_half_way(main, service):
    for failure in ["unplugged", 500, 422]:
        service.kept.clear()
        for t in range(130):
            main.remember(record(t))
        service.says = lambda r: failure if r["t"] >= 60 else None
        main.send()
        assert times(service.kept) == list(range(60)), failure
        assert times(map(json.loads, lines())) == list(range(60, 130)), failure
        service.says = lambda r: None
        main.send()
        assert times(service.kept) == list(range(130)) and lines() == [], failure


def a_power_cut_at_any_step_of_replacing_leaves_a_whole_backlog(main, service):
    class PowerCut(BaseException):
        pass

    class Os:
        """A file system that renames over nothing, with the power going at one of its steps."""

        listdir = staticmethod(os.listdir)

        def __init__(self, dies_at):
            self.steps, self.dies_at = 0, dies_at

        def step(self):
            self.steps += 1
            if self.steps == self.dies_at:
                raise PowerCut

        def rename(self, old, new):
            self.step()
            if os.path.exists(new):
                raise OSError("there")
            os.rename(old, new)

        def remove(self, name):
            self.step()
            os.remove(name)

    for dies_at in [1, 2, 3]:
        service.kept.clear()
        for t in range(70):
            main.remember(record(t))
        service.says = lambda r: None if r["t"] < 60 else 500
        main.os = Os(dies_at)
        try:
            main.send()
            raise AssertionError("the power did not go")
        except PowerCut:
            pass
        main.os = Os(0)
        main.recover()
        service.says = lambda r: None
        main.send()
        assert sorted(set(times(service.kept))) == list(range(70)), dies_at
        assert lines() == [] and not os.path.exists("backlog.new"), dies_at


if __name__ == "__main__":
    cases = [
        everything_is_sent_once_in_packs,
        a_line_that_was_cut_is_passed_over_and_takes_no_other_with_it,
        what_is_to_be_sent_again_stays_and_what_is_refused_for_good_goes,
        a_name_that_is_not_known_yet_loses_nothing_and_is_not_asked_over_and_over,
        nothing_is_lost_where_the_network_or_the_service_fails_half_way,
        a_power_cut_at_any_step_of_replacing_leaves_a_whole_backlog,
    ]
    here = Path.cwd()
    for case in cases:
        with tempfile.TemporaryDirectory() as folder:
            os.chdir(folder)
            service = Service()
            # What the board prints is for its console.
            said, sys.stdout = sys.stdout, open(os.devnull, "w")
            try:
                case(board(service), service)
            finally:
                sys.stdout.close()
                sys.stdout = said
                os.chdir(here)
    print(len(cases))
