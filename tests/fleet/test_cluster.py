"""An existing cluster: who may work on it, and what is said when something is not as it should."""

from __future__ import annotations

import socket
import sys
import time

import pytest
from command_line import refused

from fleet import stand_ins
from hysteresis.errors import InputError
from hysteresis.fleet import cluster as module
from hysteresis.fleet.cluster import ClusterLost, check_address, check_cluster, dask
from hysteresis.fleet.software import differences, software
from hysteresis.fleet.task import failed


@pytest.mark.parametrize(
    "address", ["tcp://10.0.0.5:8786", "tls://head.lab:1", "tcp://[::1]:65535"]
)
def test_addresses_of_schedulers_are_taken(address) -> None:
    check_address(address)


@pytest.mark.parametrize(
    "address",
    ["", "here", "10.0.0.5:8786", "tcp://10.0.0.5", "tcp://:8786", "tcp://a:0", "tcp://a:65536",
     "tcp://a:b", "http://a:80", "tcp://a:8786/x", "tcp://a b:1", " tcp://a:1"],
)  # fmt: skip
def test_what_is_no_address_is_refused_before_anything_is_done(address, tmp_path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "bench.toml").write_text("")
    said = refused(tmp_path, "fleet", tmp_path, "--scheduler", address)
    assert "--scheduler takes the address of a scheduler" in said and "tcp://HOST:PORT" in said


def test_a_scheduler_that_does_not_answer_is_told_within_seconds(tmp_path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "bench.toml").write_text("")
    with socket.socket() as taken:  # bound and never listening: nobody answers there
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        begin = time.monotonic()
        said = refused(tmp_path, "fleet", tmp_path, "--scheduler", address)
        assert time.monotonic() - begin < 15.0
    assert "no scheduler answers at this address" in said and address in said


def test_without_the_extra_it_is_said_how_to_install_it(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'hysteresis\[cluster\]'"):
        check_cluster("tcp://127.0.0.1:8786")


def test_a_scheduler_without_workers_is_told(monkeypatch) -> None:
    from distributed import LocalCluster

    with (
        LocalCluster(n_workers=0, processes=False, dashboard_address=":0",
                     protocol="tcp", silence_logs=50) as empty,
        pytest.raises(InputError, match="this scheduler has no workers"),
    ):  # fmt: skip
        check_cluster(empty.scheduler_address)


def test_other_software_on_a_worker_is_named_with_both_versions(cluster, monkeypatch) -> None:
    other = software() | {"numpy": "1.0", "hysteresis": "9.9 abc"}
    monkeypatch.setattr(module, "software", lambda: other)
    with pytest.raises(InputError, match="a worker has other software") as told:
        check_cluster(cluster)
    assert f"numpy {software()['numpy']} there and 1.0 here" in str(told.value)
    assert "9.9 abc here" in str(told.value)


def test_a_worker_that_joined_later_with_other_software_gives_no_result() -> None:
    with pytest.raises(InputError, match="joined later has other software"):
        module.on_worker(stand_ins.digest, stand_ins.task("a"), software() | {"scipy": "0.1"})


def test_the_same_software_has_no_differences() -> None:
    assert differences(software(), dict(software())) == ""
    assert differences({"a": "1"}, {"b": "1"}) == (
        "a none there and 1 here, b 1 there and none here"
    )


def test_a_task_that_ends_its_workers_is_named_and_the_others_are_done(cluster) -> None:
    names = ("a", "bad", "b", "c", "d", "e")
    tasks = [stand_ins.task(name) for name in names]
    found = {t.run: o for t, o in dask(cluster)(tasks, stand_ins.bad_news)}
    assert sorted(found) == sorted(names)
    assert [name for name in sorted(names) if not found[name].done] == ["bad"]
    assert found["bad"] == failed("unexpected: ZeroDivisionError: on purpose")


def test_workers_ended_by_the_system_are_told_as_such() -> None:
    KilledWorker = type("KilledWorker", (Exception,), {})  # its class needs a live scheduler
    assert "as when memory runs out" in module._said(KilledWorker("x")).reason


def test_a_scheduler_that_goes_away_in_the_middle_is_told() -> None:
    from distributed import LocalCluster

    going = LocalCluster(n_workers=1, threads_per_worker=1, processes=False,
                         dashboard_address=":0", protocol="tcp", silence_logs=50)  # fmt: skip
    results = dask(going.scheduler_address)(
        (stand_ins.task(str(k)) for k in range(50)), stand_ins.asleep
    )
    next(results)
    going.close()
    with pytest.raises(ClusterLost, match="went away"):
        for _ in results:
            pass
