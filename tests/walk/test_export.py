#!/usr/bin/env python3
"""`uphole export` beside a running daemon and without one: what it writes, read by programs nobody here wrote, is what MQTT delivered for the same rows.

Planted defects, each seen to be caught (tests/planted/export-*.patch): a fold that begins with the interval instead of one window before it; a gap
row left out; a cell of text left to the spreadsheet; a slice that loses the row at its edge.
"""
import csv
import datetime
import io
import json
import shutil
import subprocess
import warnings

warnings.simplefilter("ignore")
import jsonschema  # noqa: E402
from walk import BINARY, SOURCE, Walk, free_port, main, once, wait_for  # noqa: E402

CONFIG = """\
site: heron-ridge
box: heron-edge-1
lines:
  gauge-line: {{tcp: 127.0.0.1:{gauge_port}}}
  skid-line: {{tcp: 127.0.0.1:{drive_port}}}
wells:
  heron-7:
    label: '=2+3, "Heron" 7'
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: gauge-line, unit_id: 1, map: scaled-16, poll_every: 50 ms, refresh: 1 s, confirmed_units: all}}
      drive:
        - {{from: 2025-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: drive-a, poll_every: 100 ms, refresh: 1 s, confirmed_units: all}}
  heron-8:
    table_block: 1
    sources:
      drive:
        - {{from: 2025-01-10T08:00:00Z, line: skid-line, unit_id: 2, map: drive-a, poll_every: 200 ms, refresh: 1 s, confirmed_units: all}}
destinations:
  plant-broker: {{mqtt: 'mqtt://127.0.0.1:{broker_port}', from: oldest}}
journal: {{path: {journal}}}
"""
LINE_OF_DANGER = "=HYPERLINK(\"http://192.0.2.1\",\"look\")"


def export(walk, *words, code=0, well="heron-7"):
    out = subprocess.run([str(BINARY), "export", well, *[str(w) for w in words], "--journal", str(walk.journal)], capture_output=True, timeout=120)
    assert out.returncode == code, f"{words}: {out.returncode}\n{out.stdout[-2000:]}\n{out.stderr.decode()}"
    return out.stdout if code == 0 else out.stderr.decode()


def plain(text):
    """What docs/export.md says to do with a cell of text."""
    return text[1:] if text.startswith("'") else text


def read_csv(data):
    """Python's csv module, strict, by RFC 4180; every row as wide as the header, every line ended with CR LF."""
    assert data.endswith(b"\r\n")
    text = data.decode("utf-8")
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    header = rows[0]
    assert len(set(header)) == len(header), "two columns of one name"
    assert all(len(row) == len(header) for row in rows), "rows of different width"
    return header, [dict(zip(header, row)) for row in rows[1:]]


def number(text):
    return json.loads(text) if text != "" else None


def check_values(header, rows, delivered):
    """Each scan row against the row that the subscriber got: text of a number parsed is the number, byte for byte in JSON."""
    columns = {}
    for name in header:
        point, _, rest = name.partition(" [")
        if rest and not name.endswith(" age [s]"):
            columns.setdefault(point, []).append((name, rest.rstrip("]")))
    for row in rows:
        sent = delivered[int(row["seq"])]
        assert plain(row["run"]) == sent["run"] and row["source"] == sent["source"] and row["outcome"] == sent["outcome"], (row, sent)
        assert int(row["revision"]) == sent["revision"] and (row["time"] or None) == sent["time"] and row["clock"] == sent["clock"]
        there = set()
        for i, point in enumerate(sent["set"]["points"]):
            unit, reference = sent["set"]["units"][i], sent["set"]["references"][i]
            name = point if unit is None else f"{point} [{unit}{'' if reference is None else ' ' + reference.replace('unknown', 'reference unknown')}]"
            assert name in header, f"no column {name}"
            assert json.dumps(number(row[name])) == json.dumps(sent["values"][i]), (row["seq"], name, row[name], sent["values"][i])
            assert number(row[f"{point} quality"]) == sent["qualities"][i], (row["seq"], point, row[f"{point} quality"], sent["qualities"][i])
            assert json.dumps(number(row[f"{point} age [s]"])) == json.dumps(sent["age_s"][i]), (row["seq"], point)
            if f"{point} worst_input" in header:
                worst = sent.get("worst_inputs")
                assert (row[f"{point} worst_input"] or None) == (worst[i] if worst else None), (row["seq"], point)
            there.add(point)
        for name in header:
            if name.endswith(" quality") and name[:-len(" quality")] not in there:
                assert row[name] == "", f"{name} of a {row['source']} row"


def delivered_of(walk, well):
    """Rows by seq, as the subscriber has them, once."""
    return {row["seq"]: row for row in once(walk.records(well))}


def gaps_between(walk, begin, end):
    out = subprocess.run([str(BINARY), "gaps", "--journal", str(walk.journal), "--from", begin, "--to", end, "--well", "heron-7", "--json"],
                         capture_output=True, text=True)
    assert out.returncode == 0, out.stderr
    return json.loads(out.stdout)


def check_gaps(walk, rows, begin, end):
    """The rows of kind gap are those of `uphole gaps --json`, a different reader of the ledger."""
    expected = {(g["run"], g["id"]): g for g in gaps_between(walk, begin, end)}
    found = {(plain(r["run"]), int(r["gap_id"])): r for r in rows}
    assert set(found) == set(expected), (set(found) ^ set(expected))
    for identity, gap in expected.items():
        row = found[identity]
        for key in ("kind", "point", "destination", "end", "before_seq", "after_seq", "scans", "cause", "note", "noted_by"):
            assert plain(row[f"gap_{key}"]) == ("" if gap[key] is None else str(gap[key])), (identity, key, row[f"gap_{key}"], gap[key])
        for key in ("open", "lost", "planned", "all_wells"):
            assert row[f"gap_{key}"] == json.dumps(gap[key]), (identity, key)
        assert row["time"] == (gap["start"] or "") and row["source"] == (gap["source"] or ""), identity
    return expected


def check_guards(data, rows):
    """No cell of text begins with what a spreadsheet runs; and taking one apostrophe away gives the text."""
    numbers = 0
    for cells in list(csv.reader(io.StringIO(data.decode(), newline="")))[1:]:
        for cell in cells:
            if cell[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") and cell:
                float(cell)  # numbers stay numbers, a negative one too
                numbers += 1
    assert {plain(r["label"]) for r in rows} == {'=2+3, "Heron" 7'}
    assert {r["label"][0] for r in rows} == {"'"}
    return numbers


def write_history(walk):
    """Rows, a time without an answer, rows again; a note that a spreadsheet would run. Returns an interval in the middle."""
    walk.config.write_text(CONFIG.format(gauge_port=free_port(), drive_port=walk.drive_port, broker_port=walk.broker_port, journal=walk.journal))
    walk.start_broker()
    walk.subscribe()
    command = ("simulator", BINARY, "simulate", "--config", walk.config, "--maps", SOURCE / "config/maps", "--seed", "7")
    walk.simulator = walk._start(*command)
    wait_for("the simulator", 10, lambda: "ready\n" in walk.log("simulator"))  # else the first gap of a line is at the start, before the interval
    walk.start_daemon()
    answered = lambda: sum(r["source"] == "gauge" and r["outcome"] == "answered" for r in walk.records("heron-7"))  # noqa: E731
    wait_for("records", 20, lambda: len(walk.records("heron-7")) > 150 and answered() > 100, step=0.2)
    walk.stop(walk.simulator)
    wait_for("a gap of the line", 20, lambda: any(g["kind"] == "line" and g["well"] == "heron-7" for g in walk.gaps()))
    walk.simulator = walk._start(*command)
    wait_for("its end", 30, lambda: any(g["kind"] == "line" and not g["open"] for g in walk.gaps()))
    before, answers = len(walk.records("heron-7")), answered()
    wait_for("more records", 20, lambda: len(walk.records("heron-7")) > before + 90 and answered() > answers + 60, step=0.2)
    gap = next(g for g in walk.gaps() if g["kind"] == "line" and g["well"] == "heron-7" and g["before_seq"] and g["before_seq"] > 100)
    said = subprocess.run([str(BINARY), "note", f"{gap['run'][:6]}:{gap['id']}", LINE_OF_DANGER, "--by", "engineer", "--journal", str(walk.journal)],
                          capture_output=True, text=True)
    assert said.returncode == 0, said.stderr
    wait_for("the note", 10, lambda: any(g["note"] for g in walk.gaps()))
    rows = sorted(walk.records("heron-7"), key=lambda r: r["seq"])
    begin, end = rows[100]["time"], rows[-30]["time"]
    # The interval is history: what began in it has ended (a busy machine skips scans at any time), and what is asked of it lies before now.
    of_clock = ("clock", "delivery")
    wait_for("no open gap in the interval", 20, lambda: not any(g["open"] and g["kind"] not in of_clock for g in gaps_between(walk, begin, end)), step=0.2)
    past = datetime.datetime.fromisoformat(begin.replace("Z", "+00:00")) + datetime.timedelta(seconds=10)
    wait_for("the time of the shut-in's window to pass", 20, lambda: datetime.datetime.now(datetime.timezone.utc) > past)
    return begin, end


def check_ndjson(walk, begin, end, delivered, csv_seqs):
    lines = [json.loads(line) for line in export(walk, "--from", begin, "--to", end, "--ndjson").decode().splitlines()]
    schemas = {k: jsonschema.Draft202012Validator(json.loads((SOURCE / f"docs/schemas/{k}-1.json").read_text())) for k in ("record", "gap")}
    seqs = []
    for line in lines:
        kind = line["schema"].split("/")[1]
        schemas[kind].validate(line)
        if kind == "gap":
            continue
        (row,) = line["rows"]
        sent = delivered[row["seq"]]
        seqs.append(row["seq"])
        assert {k: sent[k] for k in row} == row and line["sets"][row["source"]] == sent["set"] and line["after"] == sent["after"], (line, sent)
    assert seqs == csv_seqs, "NDJSON holds other rows than CSV"
    return lines


def check_raw(walk, begin, end, delivered, csv_seqs):
    """Words in hexadecimal: the register of the intake pressure is the value that was published."""
    header, rows = read_csv(export(walk, "--from", begin, "--to", end, "--raw"))
    lines = [json.loads(line) for line in export(walk, "--from", begin, "--to", end, "--raw", "--ndjson").decode().splitlines()]
    scans = [r for r in rows if r["row"] == "scan"]
    assert [int(r["seq"]) for r in scans] == csv_seqs
    raw = {line["seq"]: line for line in lines if line["schema"] == "uphole/raw/1"}
    compared = 0
    for row in scans:
        line = raw[int(row["seq"])]
        for i, block in enumerate(line["blocks"]):
            assert row[f"block {i + 1} words [hex]"] == block["words"] and int(row[f"block {i + 1} first"]) == block["first"]
            if block["exception"] == 0:
                assert len(block["words"].split()) == block["count"]
        assert row["outcome"] == line["outcome"] == delivered[line["seq"]]["outcome"]
        assert (row["time"], row["stray [bytes]"], row["requests"]) == (line["time"], str(line["stray_bytes"]), str(line["requests"]))
        sent = delivered[line["seq"]]
        if line["source"] == "gauge" and line["outcome"] == "answered":
            words = {}
            for block in line["blocks"]:
                words.update({block["first"] + k: int(w, 16) for k, w in enumerate(block["words"].split())})
            i = sent["set"]["points"].index("intake_pressure")
            if sent["values"][i] is not None:
                assert words[16] == sent["values"][i], (line, sent)  # config/maps/scaled-16.yaml: input 16, 0.001 MPa a count: 1 kPa
                compared += 1
    assert compared > 40, compared


def refusals(walk, begin, end):
    assert "knows no well 'heron-9'; it knows heron-7, heron-8" in export(walk, "--from", begin, code=66, well="heron-9")
    assert "ends before it begins" in export(walk, "--from", end, "--to", begin, code=64)
    assert "is no time" in export(walk, "--from", "yesterday", code=64)
    assert "--from TIME is missing" in export(walk, code=64)
    said = export(walk, "--from", "2025-02-01T00:00:00Z", "--to", "2025-02-02T00:00:00Z", code=1)
    assert "there is nothing of heron-7 from 2025-02-01T00:00:00.000Z" in said and "the journal goes from" in said, said
    there = walk.directory / "there.csv"
    there.write_text("mine\n")
    assert "File exists" in export(walk, "--from", begin, "--into", there, code=73)
    assert there.read_text() == "mine\n"
    into = walk.directory / "into.csv"
    assert b"scans and" in export(walk, "--from", begin, "--to", end, "--into", into)
    assert into.read_bytes() == export(walk, "--from", begin, "--to", end)
    with open("/dev/full", "wb") as full:
        out = subprocess.run([str(BINARY), "export", "heron-7", "--from", begin, "--journal", str(walk.journal)], stdout=full, stderr=subprocess.PIPE)
    assert out.returncode == 74 and out.stderr, out
    assert not list(walk.directory.glob("*.partial-*")), "a half-written file is left"


def a_full_disk_leaves_nothing(walk, begin):
    """A file system of 64 kB in a mount namespace of its own."""
    place = walk.directory / "small"
    place.mkdir()
    probe = ["unshare", "-rm", "true"]
    if not shutil.which("unshare") or subprocess.run(probe, capture_output=True).returncode != 0:
        print("  SKIPPED the full disk: no mount namespace on this machine")
        return
    script = (f"mount -t tmpfs -o size=64k none {place} || exit 99; {BINARY} export heron-7 --from {begin} --journal {walk.journal} "
              f"--into {place}/out.csv; code=$?; ls -A {place}; exit $code")
    out = subprocess.run(["unshare", "-rm", "sh", "-c", script], capture_output=True, text=True)
    if out.returncode == 99:
        print("  SKIPPED the full disk: no tmpfs may be mounted on this machine")
        return
    assert out.returncode == 74 and "No space left" in out.stderr and out.stdout.strip() == "", out


def a_shut_in_of_the_journal_is_that_of_its_export(walk, begin, end):
    """The samples of `calculate shut-in --well` are those of a file of export: the same line, bounds and counts. Planted: shutin-journal-beyond-window."""
    into = walk.directory / "build-up.csv"
    ask = ["--shut-at", begin, "--producing-time", "72h", "--window", "0.2s..8s", "--json"]
    export(walk, "--from", "2025-02-01T00:00:00Z", "--to", end, "--into", into)
    name = next(n for n in read_csv(into.read_bytes())[0] if n.startswith("intake_pressure ["))
    until = (datetime.datetime.fromisoformat(begin) + datetime.timedelta(seconds=8)).isoformat()
    short = walk.directory / "short.csv"
    export(walk, "--from", "2025-02-01T00:00:00Z", "--to", until, "--into", short)
    runs = [subprocess.run([str(BINARY), "calculate", "shut-in", *more, *ask], capture_output=True, text=True)
            for more in (["--well", "heron-7", "--journal", str(walk.journal)], ["--csv", str(short), "--time", "time", "--pressure", name])]
    told = [json.loads(run.stdout) for run in runs]
    for one in told:
        one["record"] = {k: v for k, v in one["record"].items() if k not in ("before", "empty", "unsure")} if isinstance(one.get("record"), dict) else None
        one.pop("warnings", None), one.pop("pressure_unit")  # an export says absolute
    differ = {k: (told[0].get(k), told[1].get(k)) for k in {*told[0], *told[1]} if told[0].get(k) != told[1].get(k)}
    assert not differ and runs[0].returncode == runs[1].returncode == 0 and told[0]["samples"] > 20, (differ, [r.stderr for r in runs])
    said = subprocess.run([str(BINARY), "calculate", "shut-in", "--well", "heron-9", "--journal", str(walk.journal), *ask], capture_output=True, text=True)
    assert said.returncode == 66 and "knows no well 'heron-9'" in said.stderr, said
    said = subprocess.run([str(BINARY), "calculate", "shut-in", "--well", "heron-7", "--pressure", "drive_frequency", "--journal", str(walk.journal), *ask],
                          capture_output=True, text=True)
    assert said.returncode == 64 and "no pressure among the points" in said.stderr, said


def an_export_is_what_was_delivered():
    """CSV and NDJSON, measured and raw, beside a running daemon, against the subscriber's rows; then without the daemon."""
    with Walk("export") as walk:
        begin, end = write_history(walk)
        data = export(walk, "--from", begin, "--to", end)
        header, rows = read_csv(data)
        scans, gaps = [r for r in rows if r["row"] == "scan"], [r for r in rows if r["row"] == "gap"]
        assert len(scans) + len(gaps) == len(rows) and len(scans) > 70, len(scans)
        seqs = [int(r["seq"]) for r in scans]
        wait_for("every row at the subscriber", 10, lambda: set(seqs) <= set(delivered_of(walk, "heron-7")), step=0.2)
        delivered = delivered_of(walk, "heron-7")
        wanted = sorted(s for s, row in delivered.items() if begin <= row["time"] <= end)
        assert seqs == wanted, f"rows missing or too many: {set(seqs) ^ set(wanted)}"
        check_values(header, scans, delivered)
        expected = check_gaps(walk, gaps, begin, end)
        assert any(g["kind"] == "line" for g in expected.values()) and any(g["note"] == LINE_OF_DANGER for g in expected.values())
        check_guards(data, rows)
        for i, row in enumerate(rows):
            assert row["row"] == "scan" or all(r["time"] < row["time"] for r in rows[:i] if r["row"] == "scan"), "a gap stands behind where it began"
        print(f"  {len(scans)} scans, {len(gaps)} gaps, {len(header)} columns")
        check_ndjson(walk, begin, end, delivered, seqs)
        a_shut_in_of_the_journal_is_that_of_its_export(walk, begin, end)
        check_raw(walk, begin, end, delivered, seqs)
        for start in (36, 64, 65, 110):  # from other points, each a slice's edge of its own
            first = sorted(delivered)[start]
            _, later = read_csv(export(walk, "--from", delivered[first]["time"], "--to", end))
            later = [r for r in later if r["row"] == "scan"]
            assert [int(r["seq"]) for r in later][-1] == seqs[-1] and len(later) >= int(later[-1]["seq"]) - first - 2, start
            check_values(header, later, delivered)
        us, _ = read_csv(export(walk, "--from", begin, "--to", end, "--units", "us"))
        assert any(c.startswith("intake_pressure [psi") for c in us), us
        refusals(walk, begin, end)
        a_full_disk_leaves_nothing(walk, begin)
        walk.stop(walk.daemon)
        _, after = read_csv(export(walk, "--from", begin, "--to", end))
        assert [r for r in after if r["row"] == "scan"] == scans, "without the daemon it says something else"


main(an_export_is_what_was_delivered)
