"""The campaign of docs/campaigns.md, with deaths in the middle."""

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

root = Path.cwd()
page = (root / "docs/campaigns.md").read_text("utf-8")
blocks = re.findall(r"```(?:sh|yaml|text)\n(.*?)```", page, re.S)
command = next(block for block in blocks if "parallel --jobs" in block)
start, merge = command.split("spintrue simulate --merge")

work = Path(tempfile.mkdtemp())
(work / "bin").mkdir()
(work / "bin/spintrue").symlink_to(sys.argv[1])
(work / "scripts").symlink_to(root / "scripts")
home = {**os.environ, "PATH": f"{work}/bin:{os.environ['PATH']}", "HOME": str(work)}
(work / ".parallel").mkdir()
(work / ".parallel/will-cite").touch()


def run(text):
    return subprocess.run(["bash", "-euc", text], cwd=work, env=home, capture_output=True, text=True)


def held(holds, what):
    if not holds:
        sys.exit(f"not so: {what}")
    print(f"held: {what}")


def workers():
    """Processes that run a shard here, the engine and its shells left out."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            words = (place / "cmdline").read_bytes().split(b"\0")
            if words[0].endswith(b"spintrue") and (place / "cwd").resolve() == work.resolve():
                found.append(int(place.name))
        except OSError:
            pass
    return found


def until(what):
    end = time.monotonic() + 60
    while not what():
        if time.monotonic() > end:
            sys.exit("nothing came")
        time.sleep(0.02)


# A worker dies, then all of it.
engine = subprocess.Popen(["bash", "-euc", start], cwd=work, env=home, start_new_session=True)
until(workers)
victim = workers()[0]
os.kill(victim, signal.SIGKILL)
done = lambda: sum(f.stat().st_size > 0 for f in (work / "shards").glob("*.json"))
until(lambda: done() >= 2)
os.killpg(engine.pid, signal.SIGKILL)
engine.wait()
for worker in workers():
    os.kill(worker, signal.SIGKILL)
log = (work / "shards/log").read_text()
print(log)
held(0 < done() < 6, f"the engine died with {done()} of 6 shards done")
lost = run("spintrue simulate --merge" + merge)
held(lost.returncode == 2, "a merge of what is there is refused")

again = run(start.replace("parallel --jobs", "parallel --resume-failed --jobs"))
held(again.returncode == 0, f"the engine went on {again.stderr}")
whole = run("spintrue simulate --merge" + merge)
held(whole.returncode == 0, f"all shards are there {whole.stderr}")
heads = re.search(r"--heads (\d+)", start).group(1)
once = run(f"spintrue simulate scripts/bring_up.spt --heads {heads}")
held(whole.stdout == once.stdout, "the result is that of one run")
twice = run("cp shards/3.json shards/repeated.json; spintrue simulate --merge" + merge)
held(twice.stdout == once.stdout, "a shard that comes twice changes nothing")

# The other engines by what they set: the lines of the page's scripts as their shells would run them.
slurm = next(block for block in blocks if "#SBATCH" in block)
array = re.search(r"--array=(\d+)-(\d+)", slurm).groups()
held(array == ("1", re.search(r"auto/(\d+)", slurm).group(1)), "the array has the ids that the shards need")
job = next(block for block in blocks if "completionMode" in block)
held("completions: 40" in job and "auto/40" in job, "the job has as many completions as shards")
line = " ".join(re.search(r">-\n(.*?)\n +volumeMounts", job, re.S).group(1).split())
line = line.replace("--heads 100000", "--heads 40").replace("/campaign/bring_up.spt", f"{root}/scripts/bring_up.spt")
pods = work / "pods"
(pods / "shards").mkdir(parents=True)
for pod in range(40):
    ran = subprocess.run(["sh", "-euc", line.replace("/campaign/shards", f"{pods}/shards")], cwd=pods,
                         env={**home, "JOB_COMPLETION_INDEX": str(pod)}, capture_output=True, text=True)
    held(ran.returncode == 0, f"pod {pod} {ran.stderr}") if ran.returncode else None
few = slurm.replace("--heads 100000", "--heads 40").replace("scripts/", str(root) + "/scripts/")
small = work / "slurm"
(small / "shards").mkdir(parents=True)
for task in (1, 17, 40):
    ran = subprocess.run(["sh", "-euc", few], cwd=small, env={**home, "SLURM_ARRAY_TASK_ID": str(task)},
                         capture_output=True, text=True)
    made, pod = small / f"shards/{task}.json", pods / f"shards/{task - 1}.json"
    held(ran.returncode == 0 and made.read_text() == pod.read_text(), f"task {task} is pod {task - 1} {ran.stderr}")
other = run("cd pods && spintrue simulate --merge shards/*.json")
once = run("spintrue simulate scripts/bring_up.spt --heads 40")
held(other.stdout.splitlines()[1:] == once.stdout.splitlines()[1:], f"all pods make the result of one run {other.stderr}")
