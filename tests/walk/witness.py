"""A witness of the machine: when did the processes of a walk stand in line for a processor, so that a poll that came too late is the machine's doing?

A walk that demands "no due time was missed" can only be judged where the machine let its processes run. The witness is a process of its own: twenty
times a second it asks the kernel how long each thread of the watched processes has waited for its turn (proc(5), schedstat), which of them stand still
for a disk (state D: a page, a log file's write that the kernel holds back; threads that poll and answer order nothing else of it), and how late it was woken itself. What the
program does to itself - waiting for a lock, a pipe, a broker, its journal's syncs, which are its first thread's - is no such waiting, so it excuses none of it.
"""
import json
import os
import pathlib
import subprocess
import sys
import time

STEP_S = 0.05
SAID_FROM_MS = 20  # shorter waits are everyday
STARVED_MS = 250   # in a second; a poll has 800 ms for its answer, and simulator, line, core take turns in it
PART = 0.1         # no more of the time may be excused: a walk on such a machine judges nothing


def waited_ns(pid, syncs):
    """Of each thread: how long it has waited for its turn, ever; and whether it stands still for a disk now. `syncs`: its first thread waits for syncs by itself."""
    waited = {}
    try:
        for task in pathlib.Path(f"/proc/{pid}/task").iterdir():
            state = (task / "stat").read_text().rsplit(")", 1)[1].split()[0]
            waited[task.name] = int((task / "schedstat").read_text().split()[1]), state == "D" and not (syncs and task.name == str(pid))
    except (OSError, IndexError, ValueError):
        pass  # it has just ended, or this kernel doesn't count
    return waited


def of_the_start(pids, now):
    """[end in ms, ms waited] for each second of the watched processes' lives before the first look: all that they waited by then, in equal parts, since
    the kernel keeps no more of it."""
    began = []
    for pid in pids:
        try:
            began.append(int(pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[19]) / os.sysconf("SC_CLK_TCK"))
        except (OSError, IndexError):
            pass  # it has just ended
    seconds = max(1, round(now - min(began, default=now)))
    waited_ms = sum(max((ns for ns, _ in waited_ns(pid, False).values()), default=0) for pid in pids) / 1e6
    return [[round((now - at) * 1000), round(waited_ms / seconds)] for at in reversed(range(seconds))]


def watch(pids):
    """The first is the daemon's. Prints [end in ms of CLOCK_BOOTTIME, ms waited] of each step in which somebody waited: of each process the thread that waited longest."""
    before = {pid: waited_ns(pid, pid == pids[0]) for pid in pids}
    at = time.clock_gettime(time.CLOCK_BOOTTIME)
    for second in of_the_start(pids, at):
        print(json.dumps(second), flush=True)
    while True:
        time.sleep(STEP_S)
        now = time.clock_gettime(time.CLOCK_BOOTTIME)
        waited_ms = (now - at - STEP_S) * 1000
        for pid in pids:
            then, before[pid] = before[pid], waited_ns(pid, pid == pids[0])
            waited_ms += max(((ns - then.get(task, (ns, 0))[0]) / 1e6 + 1000 * STEP_S * still for task, (ns, still) in before[pid].items()), default=0)
        at = now
        if waited_ms >= SAID_FROM_MS:
            print(json.dumps([round(now * 1000), round(waited_ms)]), flush=True)


class Witness:
    def __init__(self, walk, daemon, *others):
        self.path = walk.directory / f"witness-{len(walk.processes)}.ndjson"  # each its own: one of before may still write
        self.began_ms = time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
        with self.path.open("wb") as into:
            self.process = subprocess.Popen([sys.executable, __file__, *(str(process.pid) for process in (daemon, *others))], stdout=into)
        walk.processes.append(self.process)

    def steps(self):
        lines = self.path.read_text().splitlines()
        return [json.loads(line) for line in lines if line.endswith("]")]

    def starved_at(self, boot_ms, before_ms=1000, after_ms=2000):
        """True where within some second around that instant the processes waited for longer than STARVED_MS."""
        near = [step for step in self.steps() if boot_ms - before_ms <= step[0] <= boot_ms + after_ms]
        return any(sum(ms for at, ms in near if end - 1000 < at <= end) >= STARVED_MS for end, _ in near)

    def waited_s(self, from_ms, to_ms):
        """How long the processes stood in line between these instants of CLOCK_BOOTTIME, in all: what a bound of the program's own is stretched by."""
        return sum(ms for at, ms in self.steps() if from_ms <= at <= to_ms + 1000 * STEP_S) / 1000

    def holes(self, walk, well, source, period_ms):
        """Due times of a source without a scan, or with two, from its first to its last scan in the newest run, that the machine doesn't excuse. A scan
        that begins a period late takes the next one's place: one hole, one that stands twice."""
        run = walk.sql("SELECT id, began_boot_ms AS began FROM run ORDER BY pos DESC LIMIT 1")[0]
        scans = walk.sql(f"SELECT boot_ms FROM scan WHERE well={well} AND source={source} AND run={run['id']} ORDER BY pos")
        dues = [(scan["boot_ms"] - run["began"]) // period_ms for scan in scans]
        wrong = [due for due in range(dues[0], dues[-1] + 1) if dues.count(due) != 1]
        at = {due: run["began"] + due * period_ms for due in wrong}
        excused = self.excuses(at.values(), f"due times of well {well} source {source} without a scan of their own")
        return [due for due in wrong if at[due] not in excused], len(dues)

    def excuses(self, instants_ms, what):
        """Of these instants those that the machine excuses; says so. Fails where it would excuse too much."""
        excused = [at for at in instants_ms if self.starved_at(at)]
        if excused:
            seconds = {round(at / 1000) for at in excused}
            whole_s = (time.clock_gettime(time.CLOCK_BOOTTIME) * 1000 - self.began_ms) / 1000
            print(f"  {len(excused)} {what} within {len(seconds)} of {whole_s:.0f} s in which the machine gave the program no processor: not counted", flush=True)
            assert len(seconds) <= max(2, PART * whole_s), f"{len(seconds)} of {whole_s:.0f} s: this machine is too busy for this test"
        return excused


if __name__ == "__main__":
    watch([int(pid) for pid in sys.argv[1:]])
