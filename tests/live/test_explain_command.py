"""``farend explain`` on a record: filters, wrong names, exit codes, JSON, 80 columns."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli.explain import command
from harness.core.errors import UsageError
from tests.peers.defect_runs import Trial, run_trial

ALARMS = ("bulk-a.high", "bulk-b.water", "day.high")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _record(tmp_path_factory, ("wrong-bit:bulk-b.water@bms=day.low",))


def _record(factory: pytest.TempPathFactory, defects: tuple[str, ...]) -> Path:
    trial = Trial(defects=defects, seed=3, alarms=ALARMS, links=("panel", "bms"))
    judged = run_trial(factory.mktemp("explain"), trial).judged
    judged.reader.close()
    return judged.path


def run(*args: str) -> tuple[int, str]:
    result = CliRunner().invoke(command, list(args), standalone_mode=False, env={"COLUMNS": "80"})
    if result.exception is not None:
        raise result.exception
    return int(result.return_value), result.output


def test_a_fail_is_explained_in_80_columns_with_what_to_check_next(record: Path) -> None:
    code, text = run(str(record))
    assert code == 1
    assert "bulk-b.water is at another place: bms:10015" in " ".join(text.split())
    assert "check next: " in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_an_alarm_and_a_point_limit_it(record: Path) -> None:
    assert run(str(record), "bulk-b.water")[0] == 1
    code, text = run(str(record), "bulk-a.high")
    assert code == 0
    assert "nothing to explain" in text
    assert run(str(record), "bms:10011") == run(str(record), "bulk-b.water", "bms:10011")


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (("bulk-b.watr",), "did you mean bulk-b.water?"),
        (("bulk-b.water", "bms:10010"), "nothing is expected of bulk-b.water there"),
        (("bulk-b.water", "bms:1001"), "did you mean bms:10"),
    ],
)
def test_a_name_that_the_record_has_not_is_an_error(record: Path, names: tuple[str, ...], message: str) -> None:
    with pytest.raises(UsageError, match=r"ALARM|POINT") as raised:
        run(str(record), *names)
    assert message in str(raised.value)


def test_programs_get_the_same(record: Path) -> None:
    code, text = run(str(record), "--json")
    (only,) = json.loads(text)
    assert code == 1
    assert only["rank"] == 1
    assert only["cause"]["code"] == "wrong-bit"
    assert [it["alarm"] for it in only["results"]] == ["bulk-b.water"]


def test_without_fails_it_says_so(tmp_path_factory: pytest.TempPathFactory) -> None:
    code, text = run(str(_record(tmp_path_factory, ())))
    assert code == 0
    assert "nothing failed and nothing is unknown" in text
