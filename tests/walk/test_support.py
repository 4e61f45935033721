#!/usr/bin/env python3
"""The support file: a stranger's tar reader reads it, it says what the journal says, it holds no secret, and it is whole or not there.

Planted defects, each seen to be caught: a file of secrets that goes in beside the configuration (support-secret); a header whose size is that of
another member (support-tar-size); a cut that is not said (support-cut-unsaid).
"""
import base64
import json
import os
import pathlib
import subprocess
import tarfile
import time

from walk import BINARY, Walk, main, wait_for

SECRET = "Zk7-kestrel-lantern-4419"


def uphole(walk, *words):
    return subprocess.run([str(BINARY), *words, "--journal", str(walk.journal)], capture_output=True, text=True, timeout=60, cwd=walk.directory,
                          env=dict(os.environ, MQTT_PASSWORD=SECRET))


def with_secret(walk):
    """The broker's password in the file that the configuration names, and where else a careless box may have it."""
    path = walk.directory / "secrets"
    path.mkdir(mode=0o700)
    for name in ("broker-password", "other.key"):
        (path / name).write_text(SECRET + "\n")
        (path / name).chmod(0o600)
    (walk.journal / "broker-password").write_text(SECRET)
    text = walk.config.read_text()
    walk.config.write_text(text.replace("    from: oldest\n", f"    from: oldest\n    user: uplink-7\n    password_file: {path}/broker-password\n"))


def members(path):
    with tarfile.open(path, "r:") as archive:
        found = {}
        for member in archive.getmembers():
            assert member.isfile() and member.mode == 0o600 and member.name.split("/", 1)[0].startswith("uphole-support-heron-edge-1-"), member
            found[member.name.split("/", 1)[1]] = data = archive.extractfile(member).read()
            assert data.endswith(b"\n"), f"{member.name} ends within a line: {data[-80:]}"  # whatever its length: all are lines
        return found


def lines(data):
    return [json.loads(line) for line in data.decode().splitlines()]


def blocks_of(blob):
    """The journal's blob of a scan: function, first, count, exception, words; big-endian."""
    at, found = 0, []
    while at < len(blob):
        function, first, count, exception = blob[at], int.from_bytes(blob[at + 1:at + 3], "big"), int.from_bytes(blob[at + 3:at + 5], "big"), blob[at + 5]
        at += 6
        n = 0 if exception else (count + 15) // 16 if function in (1, 2) else count
        found.append({"function": function, "first": first, "count": count, "exception": exception,
                      "words": " ".join(f"{int.from_bytes(blob[at + 2 * i:at + 2 * i + 2], 'big'):04X}" for i in range(n))})
        at += 2 * n
    return found


def holds_no_secret(path):
    whole = pathlib.Path(path).read_bytes()
    for form in (SECRET.encode(), SECRET.encode()[::-1], base64.b64encode(SECRET.encode()), SECRET.encode().hex().encode(), SECRET.encode().hex().upper().encode()):
        assert form not in whole, f"the secret is in the file as {form}"


def the_file_says_what_the_journal_says():
    """Beside a running daemon: scans word by word, ledger, events, configuration, status, trace; mode 0600; nothing half-written; no secret."""
    with Walk("support") as walk:
        with_secret(walk)
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon(environment={"MQTT_PASSWORD": SECRET})
        wait_for("the local socket", 20, lambda: uphole(walk, "status").returncode == 0)
        wait_for("rows of all", 20, lambda: len(walk.sql("select distinct well, source from scan")) == 3)
        assert uphole(walk, "hold", "skid-line", "--by", "technician").returncode == 0
        time.sleep(2.5)
        assert uphole(walk, "release", "skid-line").returncode == 0
        wait_for("the pause in the ledger, ended", 20, lambda: any("Paused by technician" in g["cause"] and not g["open"] for g in walk.gaps()))
        wait_for("rows enough", 20, lambda: walk.sql("select count(*) as n from scan")[0]["n"] >= 24)
        out = uphole(walk, "support", "--last", "1h", "--into", "box.tar")
        assert out.returncode == 0 and "No password or key is in it" in out.stdout, out
        path = walk.directory / "box.tar"
        assert path.stat().st_mode & 0o7777 == 0o600, oct(path.stat().st_mode)
        holds_no_secret(path)
        listed = subprocess.run(["tar", "tf", str(path)], capture_output=True, text=True)
        assert listed.returncode == 0 and not listed.stderr, listed
        found = members(path)
        assert len(listed.stdout.split()) == len(found) and path.stat().st_size % 512 == 0
        for name in ("README.txt", "plan-1.yaml", "scans/heron-7.ndjson", "scans/heron-8.ndjson", "gaps.ndjson", "events.ndjson", "cursors.ndjson",
                     "status.json", "status.txt", "trace/pad-line.txt", "trace/skid-line.txt", "versions.txt"):
            assert found.get(name), f"{name} is missing or empty: {sorted(found)}"
        assert b"Missing or cut" not in found["README.txt"], found["README.txt"].decode()
        plan = found["plan-1.yaml"].decode()
        assert "broker-password" in plan and "maps:" in plan and "uplink-7" in plan
        held = walk.sql("select s.pos, w.id as well, s.seq, s.outcome, hex(s.words) as words from scan s join well w on w.number = s.well order by s.pos")
        told = {row["pos"]: row for well in ("heron-7", "heron-8") for row in lines(found[f"scans/{well}.ndjson"])}
        assert len(told) > 10, len(told)
        for well in ("heron-7", "heron-8"):  # one after the other is written, beside a daemon that commits
            own = [row for row in held if row["well"] == well and row["pos"] <= max(pos for pos, mine in told.items() if mine["well"] == well)]
            assert [row["pos"] for row in own] == sorted(pos for pos, mine in told.items() if mine["well"] == well), (well, len(own), len(told))
            for row in own:
                mine = told[row["pos"]]
                assert mine["seq"] == row["seq"] and mine["blocks"] == blocks_of(bytes.fromhex(row["words"])), (mine, row)
        ledger = {(g["run"], g["id"]): g for g in walk.gaps()}
        for row in lines(found["gaps.ndjson"]):
            known = ledger[row["run"], row["id"]]
            assert row["cause"] == known["cause"] or row["revision"] < known["revision"], (row, known)
        assert any("Paused by technician" in row["cause"] for row in lines(found["gaps.ndjson"]))
        assert {"order_hold", "order_release"} <= {row["kind"] for row in lines(found["events.ndjson"])}
        assert json.loads(found["status.json"])["box"] == "heron-edge-1" and b"pad-line" in found["trace/pad-line.txt"]
        assert "sqlite " in found["versions.txt"].decode()
        before = path.read_bytes()
        again = uphole(walk, "support", "--into", "box.tar")
        assert again.returncode == 73 and "exists" in again.stderr and path.read_bytes() == before, again
        assert uphole(walk, "support", "--into", "no/such/place.tar").returncode == 73
        for words in (("--last", "soon"), ("--at-most", "1kB"), ("--at-most", "many"), ("x",)):
            assert uphole(walk, "support", *words).returncode == 64, words
        # Without half of the scans: what else is in it has grown meanwhile.
        scans_bytes = sum(len(found[f"scans/{name}.ndjson"]) for name in ("heron-7", "heron-8"))
        small = uphole(walk, "support", "--into", "small.tar", "--at-most", f"{(len(before) - scans_bytes // 2) // 1000}kB")
        assert small.returncode == 0, small
        cut = members(walk.directory / "small.tar")
        well = next(w for w in ("heron-7", "heron-8") if f"scans of {w} are left out".encode() in cut["README.txt"])
        kept = [row["seq"] for row in lines(cut[f"scans/{well}.ndjson"])]
        whole = [row["seq"] for row in lines(found[f"scans/{well}.ndjson"])]
        assert kept[0] > whole[0] and kept[-1] >= whole[-1] and kept == list(range(kept[0], kept[-1] + 1)), (kept, whole)
        assert f"scans of {well} are left out" in small.stdout, small
        assert (walk.directory / "small.tar").stat().st_size < len(before)
        walk.stop(walk.daemon)
        alone = uphole(walk, "support")
        made = sorted(walk.directory.glob("uphole-support-heron-edge-1-*.tar"))
        assert alone.returncode == 0 and len(made) == 1 and made[0].name in alone.stdout, alone
        holds_no_secret(made[0])
        found = members(made[0])
        assert "status.json" not in found and b"Without a running Uphole" in found["README.txt"] and b"made without" in found["README.txt"]
        assert len(lines(found[f"scans/{well}.ndjson"])) >= len(whole)
        assert not list(walk.directory.glob("*.partial*")), "a half-written file is left"
        print(f"  {len(told)} scans compared word by word, {len(before)} bytes")


if __name__ == "__main__":
    main(the_file_says_what_the_journal_says)
