#!/usr/bin/env bash
# clang-tidy over the sources: tests/lint.sh [full | SECONDS]
# Without "full" it reads what changed since .ci/linted was written: every file whose sum, taken over itself, the headers of ours
# that it reads and .clang-tidy, is not the recorded one. With "full" it reads all and writes the record anew, without the files
# that failed. Sums, not commits: a shallow clone has no history.
# With a number it reads for about so long, short files first, what the record does not have as clean, and writes the record
# anew; what it did not come to is recorded as owed, and every run says how many files that are until "full" has read them.
set -euo pipefail
cd "$(dirname "$0")/.."
command -v clang-tidy-14 >/dev/null || { echo "tests/lint.sh: clang-tidy-14 is missing; run samples/install.sh test" >&2; exit 1; }
command -v python3 >/dev/null || { echo "tests/lint.sh: python3 is missing; run samples/install.sh test" >&2; exit 1; }
mkdir -p build
cmake --preset tidy >build/tidy.log 2>&1 || {
  tail -n 20 build/tidy.log >&2
  echo "tests/lint.sh: cmake --preset tidy failed; the whole log is build/tidy.log" >&2
  exit 1
}
exec python3 - "${1:-changed}" <<'PY'
import concurrent.futures, hashlib, json, os, pathlib, re, subprocess, sys, time

RECORD = pathlib.Path(".ci/linted")
ROOT = pathlib.Path.cwd()
full = sys.argv[1] == "full"
budget_s = int(sys.argv[1]) if sys.argv[1].isdigit() else None
if sys.argv[1] not in ("full", "changed") and budget_s is None:
    sys.exit(f"tests/lint.sh: takes nothing, 'full' or a number of seconds, not '{sys.argv[1]}'")


def included(path, known={}):
    """The headers of ours that a file names itself: beside it, or below src/."""
    if path not in known:
        names = re.findall(r'^\s*#\s*include\s+"([^"]+)"', path.read_text(), re.MULTILINE)
        places = ((folder / name).resolve() for name in names for folder in (path.parent, ROOT / "src"))
        known[path] = [place for place in places if place.is_file()]
    return known[path]


def digest(source):
    """One sum for all that clang-tidy's answer on a file depends on, as far as it is ours."""
    reached, todo = set(), [source]
    while todo:
        path = todo.pop()
        if path not in reached:
            reached.add(path)
            todo += included(path)
    total = hashlib.sha256(pathlib.Path(".clang-tidy").read_bytes())
    for path in sorted(reached):
        total.update(f"{path.relative_to(ROOT)} {hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return total.hexdigest()


def lint(source):
    done = subprocess.run(["clang-tidy-14", "--quiet", "--warnings-as-errors=*", "--extra-arg=-fno-caret-diagnostics", "-p",
                           "build/tidy", source], capture_output=True, text=True)
    return source, done.returncode == 0, done.stdout + done.stderr


compiled = {pathlib.Path(entry["file"]) for entry in json.loads(pathlib.Path("build/tidy/compile_commands.json").read_text())}
written = set((ROOT / "src").rglob("*.cpp"))
if lost := sorted(written - compiled):
    sys.exit(f"tests/lint.sh: {lost[0].relative_to(ROOT)} belongs to no target; name it in src/CMakeLists.txt or delete it")
ours = sorted(path for path in compiled if path.is_relative_to(ROOT) and not path.is_relative_to(ROOT / "build"))
sums = {str(path.relative_to(ROOT)): digest(path) for path in ours}
recorded, owed = {}, set()
for line in RECORD.read_text().splitlines() if RECORD.exists() else []:
    total, name, *mark = line.split("  ")
    recorded[name] = total
    if mark:
        owed.add(name)
todo = [name for name in sums if full or recorded.get(name) != sums[name] or (budget_s is not None and name in owed)]

begun = time.monotonic()
failed, clean = set(), set()
# The long ones first, so that no core is left alone with one at the end; against the clock the short ones.
todo.sort(key=lambda name: (1 if budget_s is not None else -1) * os.path.getsize(name))


def lint_in_time(name):
    if budget_s is not None and time.monotonic() - begun > budget_s:
        return name, None, ""
    return lint(name)


with concurrent.futures.ThreadPoolExecutor(len(os.sched_getaffinity(0))) as pool:
    for name, good, words in pool.map(lint_in_time, todo):
        if good:
            clean.add(name)
        elif good is not None:
            failed.add(name)
            print(f"-- {name}\n{words.strip()}", flush=True)
spent = os.times()
print(f"lint: {len(clean) + len(failed)} of {len(sums)} files read, {len(failed)} of them with something to put right; "
      f"{time.monotonic() - begun:.0f} s, {spent.children_user + spent.children_system:.0f} s of processor time")
still_owed = {name for name in sums if name not in clean and name not in failed and
              (budget_s is not None and (name in todo or name in owed) or budget_s is None and name in owed)}
if still_owed:
    print(f"lint: {len(still_owed)} files are owed a reading since they last changed; tests/lint.sh full pays that")
if full or budget_s is not None:
    RECORD.write_text("".join(f"{sums[name]}  {name}{'  owed' if name in still_owed else ''}\n"
                              for name in sorted(sums) if name not in failed))
sys.exit(1 if failed else 0)
PY
