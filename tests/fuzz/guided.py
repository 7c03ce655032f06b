"""Coverage-guided fuzzing with atheris: `python tests/fuzz/guided.py --seconds 10` gives each target ten seconds.

The modules under test are instrumented, so that inputs that reach something new are kept and changed further. A finding
ends that target with status 1 and leaves the input in the folder named by --keep; libFuzzer's own limits on memory and
on the time of one input are findings too. Every target runs in a process of its own.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
import traceback
from pathlib import Path

MODULES = (
    "drumtune.decode",
    "drumtune.source",
    "drumtune.audio",
    "drumtune.stand",
    "drumtune.store",
    "drumtune.web",
    "drumtune.advice.round",
    "drumtune.session",
    "drumtune.cli.kit_job",
    "drumtune.cli.stand",
    "tomllib",
)
FOLDERS = [str(Path(__file__).resolve().parents[1] / place) for place in ("", "robust", "store")]
"""Where the material of the targets lies."""
MEMORY_MB, ONE_S = 2048, 30


def run_one(name, seconds, keep):
    """Fuzz one target in this process; does not return."""
    import atheris

    with atheris.instrument_imports(include=list(MODULES)):
        from targets import TARGETS
    target, seeds = TARGETS[name]
    work = Path(tempfile.mkdtemp(prefix="drumtune-fuzz-"))
    corpus = work / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(seeds()):
        (corpus / f"{number:03}").write_bytes(seed)
    area = work / "area"

    def once(data):
        area.mkdir()
        try:
            target(data, area)
        except BaseException:
            traceback.print_exc()
            raise
        finally:
            shutil.rmtree(area)

    words = [
        sys.argv[0],
        str(corpus),
        f"-max_total_time={seconds}",
        f"-rss_limit_mb={MEMORY_MB}",
        f"-timeout={ONE_S}",
        f"-artifact_prefix={keep}/{name}-",
        "-max_len=20000",
        "-len_control=20",
        "-print_final_stats=1",
        "-verbosity=0",
        "-seed=1",
    ]
    atheris.Setup(words, once)
    atheris.Fuzz()


def main():
    sys.path[:0] = FOLDERS
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=10)
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()))
    parser.add_argument("--only", help="names of targets, with commas")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        run_one(asked.one, asked.seconds, asked.keep)
    from targets import TARGETS

    asked.keep.mkdir(parents=True, exist_ok=True)
    bad = []
    for name in asked.only.split(",") if asked.only else TARGETS:
        words = [sys.executable, __file__, "--one", name, "--seconds", str(asked.seconds), "--keep", str(asked.keep)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        lines = (done.stdout + done.stderr).splitlines()
        runs = [line.split(":")[-1].strip() for line in lines if "number_of_executed_units" in line]
        print(
            f"{name}: {runs[0] if runs else 'no'} inputs, {'finding' if done.returncode else 'no finding'}", flush=True
        )
        if done.returncode:
            bad.append(name)
            print("\n".join(lines[-40:]), flush=True)
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
