"""The package as others get it: built, installed alone, imported, typed; and with the oldest libraries it allows.

    python tests/bench/installed.py             wheel and sdist, a bare environment, types from outside
    python tests/bench/installed.py --oldest    also the lower bounds of pyproject.toml, as far as there are wheels
    python tests/bench/installed.py --debian    also a root with Debian's smallest system and Python, no libGL: as root

Needs the network for pip, and for debootstrap. Ends with 1 where something is not as it should be.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import tomllib
import venv
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
IMPORT_SECONDS = 0.5
MESHER = "netgen-mesher"
HEAVY = ("matplotlib", "ezdxf", "meshio", "netgen", "numpy", "scipy", "skfem", "shapely")
DATA = (
    "boards.toml",
    "py.typed",
    "design/design.schema.json",
    "make/coordinates.schema.json",
    "examples/stand-mount.toml",
    "examples/floorstander.toml",
)
PACKAGES = ("python3", "python3-venv", "ca-certificates")
FREQUENCIES = """
import json, bracewright as bw
names = ("stand-mount", "floorstander")
print(json.dumps({n: bw.solve(bw.build(bw.example(n)), 20).frequency_Hz.tolist() for n in names}))
"""
TYPED = """
import bracewright as bw
from bracewright import Cabinet

cabinet: Cabinet = bw.load("box.toml")
model = bw.build(cabinet, size=30.0)
modes = bw.solve(model, 20)
first: float = float(modes.frequency_Hz[0])
found = bw.search(cabinet, evaluations=3)
bw.save(found.cabinet, "tuned.toml")
reveal_type(found.cabinet)
bw.solve(model, "twenty")
"""


def run(*words: str | Path, cwd: Path | None = None, check: bool = True) -> subprocess.CompletedProcess[str]:
    """Run a program and return what it said."""
    done = subprocess.run([str(w) for w in words], cwd=cwd, capture_output=True, text=True, check=False)
    if check and done.returncode:
        sys.exit(f"{words} ended with {done.returncode}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done


def environment(folder: Path, *install: str | Path) -> Path:
    """Make a virtual environment with some packages; return its Python."""
    venv.create(folder, with_pip=True)
    python = folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    run(python, "-m", "pip", "install", "-q", *install)
    return python


def built(folder: Path) -> tuple[Path, Path]:
    """Build both archives; return wheel and sdist."""
    builder = environment(folder / "builder", "build")
    run(builder, "-m", "build", "-q", "--outdir", folder, ROOT)
    (wheel,), (sdist,) = folder.glob("*.whl"), folder.glob("*.tar.gz")
    names = set(zipfile.ZipFile(wheel).namelist())
    missing = [f for f in DATA if f"bracewright/{f}" not in names]
    alien = [n for n in names if not n.startswith(("bracewright/", "bracewright-"))]
    size = wheel.stat().st_size / 1e3
    print(f"wheel: {wheel.name}, {size:.0f} kB, {len(names)} files; missing {missing}, alien {alien}")
    with tarfile.open(sdist) as t:
        inside = {n.split("/", 1)[1] for n in t.getnames() if "/" in n}
    wanted = ("README.md", "LICENSE", "pyproject.toml", "tests", "meshes")
    absent = [n for n in wanted if not any(f"{m}/".startswith(f"{n}/") for m in inside)]
    print(f"sdist: {sdist.name}, {sdist.stat().st_size / 1e3:.0f} kB; missing {absent}")
    if missing or alien or absent:
        sys.exit(1)
    return wheel, sdist


def import_seconds(python: Path) -> float:
    """Time that importing the public door takes, the best of three."""
    best = 9.0
    for _ in range(3):
        said = run(python, "-X", "importtime", "-c", "import bracewright").stderr
        found = re.search(r"\|\s*(\d+) \| bracewright\n", said)
        assert found
        best = min(best, int(found[1]) / 1e6)
    return best


def bare(python: Path, folder: Path) -> None:
    """Check the door, the commands and the data files where nothing but the wheel and what it needs is installed."""
    seconds = import_seconds(python)
    loaded = run(
        python, "-c", f"import sys, bracewright; print(sorted(set({HEAVY}) & set(sys.modules)))"
    ).stdout.strip()
    print(f"import: {seconds:.3f} s, loads {loaded}")
    tool = python.with_name("bracewright.exe" if sys.platform == "win32" else "bracewright")
    print("version:", run(tool, "--version").stdout.strip())
    design = folder / "box.toml"
    run(python, "-c", f"import bracewright as bw; bw.save(bw.example(), {str(design)!r})", cwd=folder)
    table = json.loads(run(tool, "check", design, "--json", cwd=folder).stdout)
    print(f"check: {table['mass_kg']:.2f} kg, {table['net_volume_l']:.2f} l")
    schemas = (
        "from bracewright.design import schema; from bracewright.make.coordinates import schema as other; "
        "import bracewright as bw; print(len(schema()['properties']), len(other()['properties']), len(bw.library()))"
    )
    print("design keys, coordinate keys, boards:", run(python, "-c", schemas, cwd=folder).stdout.strip())
    if seconds > IMPORT_SECONDS or loaded != "[]":
        sys.exit("importing the package is too heavy")


def typed(python: Path, folder: Path) -> None:
    """Check a script from outside: the right calls pass, the wrong one does not."""
    run(python, "-m", "pip", "install", "-q", "mypy")
    (folder / "script.py").write_text(TYPED)
    said = run(python, "-m", "mypy", "--strict", "script.py", cwd=folder, check=False).stdout
    print("types:", said.strip())
    revealed = "bracewright.design.cabinet.Cabinet" in said
    errors = re.findall(r"script\.py:(\d+): error", said)
    if not revealed or errors != [str(TYPED.rstrip().count("\n") + 1)]:
        sys.exit("the types are not seen from outside as they should be")


def oldest(folder: Path, wheel: Path, newest: dict[str, list[float]]) -> None:
    """Compare frequencies with the lowest versions that have wheels here: first with the mesher as it is, then all.

    Another mesher places its triangles elsewhere, which is an error of the mesh and no matter of rounding.
    """
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    mesher = [d for d in project["dependencies"] if d.startswith(MESHER)]
    others = [d for d in project["dependencies"] if d not in mesher]
    python = environment(folder, wheel)
    for what, lowest, limit in (("all but the mesher", others, 1e-6), ("all", mesher, 1e-3)):
        for one in (re.sub(r">=([\d.]+)$", r"==\1", d) for d in lowest):
            done = run(python, "-m", "pip", "install", "-q", "--only-binary", ":all:", one, check=False)
            if done.returncode:
                print(f"oldest: no wheel of {one} here: {done.stderr.strip().splitlines()[-1][:200]}")
        have = json.loads(run(python, "-m", "pip", "list", "--format", "json").stdout)
        print(f"oldest, {what}:", ", ".join(f"{p['name']} {p['version']}" for p in have))
        found = json.loads(run(python, "-c", FREQUENCIES, cwd=folder).stdout)
        worst = max(abs(a / b - 1) for n in newest for a, b in zip(found[n], newest[n], strict=True))
        print(f"oldest against newest, {what}: {worst:.1e} at most in forty frequencies")
        if worst > limit:
            sys.exit(1)


def debian(folder: Path, wheel: Path) -> None:
    """Run the demo in a root of its own, where there is Python and nothing else."""
    root = folder / "root"
    run("debootstrap", "--variant=minbase", f"--include={','.join(PACKAGES)}", "stable", root)
    for name in ("resolv.conf", "hosts", "ssl/certs/ca-certificates.crt"):
        if Path("/etc", name).is_file():
            shutil.copyfile(Path("/etc", name), root / "etc" / name)
    shutil.copy(wheel, root)
    alone = ("env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/root", "chroot", root)
    if "libGL" in run(*alone, "ldconfig", "-p").stdout:
        sys.exit("debian: libGL is there, so nothing is shown")
    run(*alone, "python3", "-m", "venv", "/venv")
    certificates = "--cert=/etc/ssl/certs/ca-certificates.crt"
    run(*alone, "/venv/bin/python", "-m", "pip", "install", "-q", certificates, f"/{wheel.name}[fast]")
    said = run(*alone, "/venv/bin/bracewright", "demo", "--out", "/demo", "--json").stdout
    table = json.loads(said)
    lost = [f for f in table["files"] if not Path(root, f.lstrip("/")).stat().st_size]
    python = run(*alone, "python3", "--version").stdout.strip()
    first = table["modes_before_Hz"][0], table["modes_after_Hz"][0]
    print(f"debian: {python}, demo from {first[0]:.1f} to {first[1]:.1f} Hz, {len(table['files'])} files, empty {lost}")
    if lost:
        sys.exit(1)


def main() -> None:
    """Do all of it in a folder that is gone afterwards."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--oldest", action="store_true", help="also with the lowest versions allowed")
    parser.add_argument("--debian", action="store_true", help="also in a bare root; needs root and debootstrap")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        wheel, _ = built(folder / "dist")
        python = environment(folder / "bare", wheel)
        bare(python, folder)
        newest = json.loads(run(python, "-c", FREQUENCIES, cwd=folder).stdout)
        print("first of each:", {n: f"{f[0]:.2f} Hz" for n, f in newest.items()})
        typed(python, folder)
        if given.oldest:
            oldest(folder / "oldest", wheel, newest)
        if given.debian:
            debian(folder, wheel)


if __name__ == "__main__":
    main()
