#!/usr/bin/env python3
"""The journal under load, beside its baselines, in one run: size, writes, syncs, memory, speed, and a start over a large file.

    bench_journal.py BINARIES [--year DAYS] [--month DAYS] [--large BYTES] [--skip PART]...

BINARIES is a build directory (release). Parts: year (one well at 28 s), month (20 wells at 10 s), disk (the same for some hours on a file system of
its own, counted at its block device; needs the right to mount), steps (how long one step of sealing takes), append (beside bare SQLite), start (the daemon over a large file). Sizes are those
of the goals by default and take half an hour; --year 30 --month 2 --large 200000000 take three minutes. Goals are printed, never asserted.
docs/performance.md says how to read it.
"""
import argparse
import os
import pathlib
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
SECTOR = 512
CHUNK_BYTES = 8000


def run(program, *words):
    done = subprocess.run([program, *map(str, words)], capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{program.name} {' '.join(map(str, words))}: {done.stderr.strip() or done.returncode}")
    return {name: float(value) for name, value in (line.split() for line in done.stdout.splitlines())}


def row(what, value, goal, beside=""):
    print(f"  {what:<58} {value:>14}   {goal:<10} {beside}")


def sizes(got):
    words = got["sealed_scans"] * got["words_a_scan"]
    base_words = got["baseline_scans"] * got["words_a_scan"]
    alone_3, alone_19 = got["words_zstd_3"] / base_words, got["words_zstd_19"] / base_words
    mine = got["block_bytes"] / words
    print(f"  {got['scans']:.0f} scans of {got['words_a_scan']:.0f} words; {got['blocks']:.0f} blocks; {got['unsealed_rows']:.0f} rows not sealed yet")
    row("bytes a word, every field of every scan", f"{mine:.3f}", "<= 0.47")
    row("  beside the words alone, zstd level 3", f"{mine / alone_3:.2f} x", "<= 1.3", f"{alone_3:.3f} bytes a word")
    row("  beside the words alone, zstd level 19", f"{mine / alone_19:.2f} x", "<= 1.3", f"{alone_19:.3f} bytes a word")
    row("bytes a scan, sealed", f"{got['block_bytes'] / got['sealed_scans']:.1f}", "")
    row("the database's file, with rows and free pages", f"{got['file_bytes'] / 1e6:.1f} MB", "", f"free {got['free_bytes'] / 1e6:.1f} MB")
    row("memory (RssAnon) after a quarter, at the end", f"{got['early_kib']:.0f}, {got['late_kib']:.0f} KiB", "flat")
    row("processor time in the journal, a scan", f"{got['us_a_scan']:.0f} us", "")
    row("the longest sealing between two polls", f"{got['slowest_seal_ms']:.0f} ms", "")


def fill(binaries, scratch, wells, poll_s, days):
    directory = pathlib.Path(tempfile.mkdtemp(dir=scratch))
    got = run(binaries / "bench_journal", "fill", directory, wells, poll_s * 1000, int(days * 86400 / poll_s * wells))
    shutil.rmtree(directory)
    return got


def sectors(device):
    return int(pathlib.Path(f"/sys/block/{device}/stat").read_text().split()[6])


def disk(binaries, scratch, hours):
    """On an ext4 of its own: what the block device is told to write, the file system's own books included."""
    image, mount = pathlib.Path(scratch) / "image", pathlib.Path(scratch) / "disk"
    mount.mkdir()
    with open(image, "wb") as file:
        file.truncate(256 << 20)
    if subprocess.run(["mkfs.ext4", "-qF", image], capture_output=True).returncode != 0 or \
            subprocess.run(["mount", "-o", "loop,noatime", image, mount], capture_output=True).returncode != 0:
        print("  SKIP: a loop device can't be mounted here")
        return
    try:
        device = next(line.split()[0] for line in open("/proc/mounts") if line.split()[1] == str(mount)).removeprefix("/dev/")
        os.sync()
        before = sectors(device)
        got = run(binaries / "bench_journal", "fill", mount, 20, 10000, int(hours * 3600 / 10 * 20))
        os.sync()
        written = (sectors(device) - before) * SECTOR
    finally:
        subprocess.run(["umount", mount], check=False)
    print(f"  {got['scans']:.0f} scans, {got['commits']:.0f} commits, {got['blocks']:.0f} blocks; /sys/block/{device}/stat")
    row("bytes at the block device, a scan", f"{written / got['scans']:.0f}", "<= 3000", f"SQLite itself wrote {got['written'] / got['scans']:.0f}")
    row("syncs, a scan", f"{got['syncs'] / got['scans']:.3f}", "<= 0.2", f"{got['syncs'] / got['commits']:.2f} a commit")


def steps(binaries, scratch, size):
    """How long core's thread is held at once by sealing: nothing else is committed, sent or answered meanwhile."""
    for title, wells, poll_s, days, large in (("one well at 28 s", 1, 28, 20, 0), ("20 wells at 10 s", 20, 10, 0.3, 0),
                                              (f"20 wells at 10 s, in a file of {size / 1e9:.1f} GB", 20, 10, 0.3, size)):
        directory = pathlib.Path(tempfile.mkdtemp(dir=scratch))
        words = ("fill", directory, wells, poll_s * 1000)
        if large:
            run(binaries / "bench_journal", *words, wells)
            enlarge(directory / "journal.sqlite", large)
        got = run(binaries / "bench_journal", *words, int(days * 86400 / poll_s * wells))
        shutil.rmtree(directory)
        print(f"  {title}")
        for kind, what in (("count", "counting rows"), ("pack", "packing one block"), ("store", "storing a range")):
            row(f"  longest step of {what}", f"{got[f'longest_{kind}_ms']:.1f} ms", "", f"{got[f'longest_{kind}_processor_ms']:.1f} ms of processor time")


def append(binaries, scratch, batches):
    directory = pathlib.Path(tempfile.mkdtemp(dir=scratch))
    got = run(binaries / "bench_journal", "append", directory, batches)
    shutil.rmtree(directory)
    row("journal beside bare SQLite, batches of 20, sealing included", f"{got['journal_a_second'] / got['bare_a_second']:.2f} x", ">= 0.6",
        f"{got['journal_a_second']:.0f} and {got['bare_a_second']:.0f} scans a second")
    row("  in processor time alone, which a loaded machine can't stretch", f"{got['bare_processor_us'] / got['journal_processor_us']:.2f} x", ">= 0.6",
        f"{got['journal_processor_us']:.1f} and {got['bare_processor_us']:.1f} us a scan")
    row("journal beside bare SQLite, its appends alone", f"{got['alone_a_second'] / got['bare_a_second']:.2f} x", ">= 0.6",
        f"{got['alone_a_second']:.0f} scans a second")
    row("  in processor time alone", f"{got['bare_processor_us'] / got['alone_processor_us']:.2f} x", ">= 0.6", f"{got['alone_processor_us']:.1f} us a scan")


def enlarge(path, size):
    """A table of noise beside the journal's own: as many pages for a start's check to walk over as years of sealed blocks have."""
    database = sqlite3.connect(path)
    database.execute("PRAGMA synchronous=OFF")
    database.execute("CREATE TABLE noise(id INTEGER PRIMARY KEY, data BLOB)")
    noise = os.urandom(CHUNK_BYTES)
    while os.path.getsize(path) < size:
        with database:
            database.executemany("INSERT INTO noise(data) VALUES(?)", ((noise,) for _ in range(2000)))
    database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()


def processor_s(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def start(binaries, size):
    os.environ["UPHOLE_BINARY"] = str(binaries.parents[1] / "daemon/uphole/uphole")
    sys.path.insert(0, str(HERE.parent / "walk"))
    sys.argv = sys.argv[:1]
    from walk import Walk, wait_for
    with Walk("large") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("records", 60, lambda: walk.records())
        walk.stop(walk.daemon)
        enlarge(walk.journal / "journal.sqlite", size)
        newest = walk.sql("SELECT max(pos) AS pos FROM scan")[0]["pos"]
        seen = len(walk.records())
        began = time.monotonic()
        walk.start_daemon()
        wait_for("a scan", 60, lambda: walk.sql("SELECT max(pos) AS pos FROM scan")[0]["pos"] > newest)
        polled = time.monotonic() - began
        wait_for("a record", 120, lambda: len(walk.records()) > seen)
        published = time.monotonic() - began
        spent = processor_s(walk.daemon.pid)
        row("from the start to the first poll in the journal", f"{polled:.1f} s", "<= 1 + 1", "it is committed a second after it was read")
        row("from the start to the first record", f"{published:.1f} s", "<= 5", f"over a file of {size / 1e9:.1f} GB")
        row("  in processor time alone, which a loaded machine can't stretch", f"{spent:.1f} s", "", "the well side's, its check of the file included")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("build", type=pathlib.Path)
    parser.add_argument("--year", type=float, default=365, metavar="DAYS")
    parser.add_argument("--month", type=float, default=30, metavar="DAYS")
    parser.add_argument("--hours", type=float, default=12, help="of the part disk")
    parser.add_argument("--batches", type=int, default=4000)
    parser.add_argument("--large", type=int, default=2_000_000_000, metavar="BYTES")
    parser.add_argument("--skip", action="append", default=[])
    asked = parser.parse_args()
    binaries = asked.build.resolve() / "tests/bench"
    scratch = tempfile.mkdtemp()
    memory = tempfile.mkdtemp(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None)
    parts = [
        ("year", f"one well at 28 s, {asked.year:g} days", lambda: sizes(fill(binaries, memory, 1, 28, asked.year))),
        ("month", f"20 wells at 10 s, {asked.month:g} days", lambda: sizes(fill(binaries, memory, 20, 10, asked.month))),
        ("disk", f"20 wells at 10 s, {asked.hours:g} hours, at the block device", lambda: disk(binaries, scratch, asked.hours)),
        ("steps", "the longest steps of sealing", lambda: steps(binaries, scratch, asked.large)),
        ("append", "append", lambda: append(binaries, scratch, asked.batches)),
        ("start", "start over a large file", lambda: start(binaries, asked.large)),
    ]
    try:
        for name, title, part in parts:
            print(title)
            if name in asked.skip:
                print("  skipped, as asked")
                continue
            part()
            sys.stdout.flush()
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        shutil.rmtree(memory, ignore_errors=True)


main()
