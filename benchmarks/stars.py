"""Star list of one large plane: this project, photutils' DAOStarFinder and sep, on the same simulated frame.

    python benchmarks/stars.py [--megapixels 24] [--repeats 3] [--json]
    python benchmarks/stars.py --scenes [--json]      every scene of the simulator, with other stars and objects

Seconds are wall time, the best of the repeats. Completeness is the share of unblended stars over ten standard
deviations of a pixel that are listed within 1.5 px; false, the share of entries with no true star (over one standard
deviation) within 2 px. DAOStarFinder and sep get the background from sep's mesh (its time counts for sep, not for
DAOStarFinder) and the true noise, so the comparison leans to their side. All three have the same threshold.
"""

import argparse
import json
import os
import time

import numpy as np
import sep
from photutils.detection import DAOStarFinder
from scipy.spatial import cKDTree

from workbench.measure.stars import find_stars
from workbench.measure.stars.moffat import moffat_gamma
from workbench.simulate import SCENES, simulate

#: Standard deviations from which all three list a star.
THRESHOLD = 4.5


def best(work, repeats):
    """Shortest wall time of ``repeats`` runs, processor time of the last one, and its result."""
    shortest = np.inf
    for _ in range(repeats):
        wall, cpu = time.perf_counter(), time.process_time()
        result = work()
        shortest = min(shortest, time.perf_counter() - wall)
        spent = time.process_time() - cpu
    return shortest, spent, result


def truth_of(sim, noise):
    """True places, their heights in standard deviations of a pixel, and which are blended with a brighter star."""
    t = sim.truth.stars
    recorded = (t.flux * sim.truth.channel_gains).mean(axis=1)
    alpha, fwhm = sim.scene.optics.alpha, float(np.median(t.fwhm_px))
    height = recorded * (alpha - 1) / (np.pi * moffat_gamma(fwhm, alpha) ** 2) / noise
    at = np.c_[t.x, t.y]
    blended = np.zeros(len(at), bool)
    pairs = cKDTree(at).query_pairs(2.5 * fwhm, output_type="ndarray")
    fainter = np.where(recorded[pairs[:, 0]] < recorded[pairs[:, 1]], pairs[:, 0], pairs[:, 1])
    blended[fainter] = True
    return at, height, blended


def judge(places, at, height, blended, shape):
    """Completeness, share of false entries, and the median distance (px) from the truth."""
    margin = 40
    low, high = margin, np.array([shape[1], shape[0]]) - margin
    wanted = at[(height > 10) & ~blended & ((at > low) & (at < high)).all(axis=1)]
    places = places[((places > low) & (places < high)).all(axis=1)]
    distance, _ = cKDTree(places).query(wanted)
    close = distance[distance < 1.5]
    away, _ = cKDTree(at[height > 1]).query(places)
    return {
        "wanted": len(wanted),
        "completeness": float(np.mean(distance < 1.5)),
        "false": float(np.mean(away > 2)),
        "median_px": float(np.median(close)),
    }


def run(megapixels, repeats):
    width = round(np.sqrt(megapixels * 1e6 * 1.5))
    sim = simulate("hayfield_stars", shape=(round(width / 1.5), width))
    plane = np.ascontiguousarray(sim.stack.planes.mean(axis=0, dtype=np.float32))
    noise = 1.4826 * float(np.median(np.abs(plane - sim.truth.noiseless.mean(axis=0))[::4, ::4]))
    truth = truth_of(sim, noise)
    find_stars(plane[:600, :600])  # kernels compile once

    def with_sep():
        background = sep.Background(plane)
        return sep.extract(plane - background.back(), THRESHOLD, err=noise)

    flat = plane - sep.Background(plane).back()
    dao = DAOStarFinder(threshold=THRESHOLD * noise, fwhm=float(np.median(sim.truth.stars.fwhm_px)))
    sep.set_extract_pixstack(2_000_000)
    rows = []
    for name, work, times, places in (
        ("find_stars", lambda: find_stars(plane, threshold=THRESHOLD), repeats, lambda s: np.c_[s.x, s.y]),
        ("sep", with_sep, repeats, lambda s: np.c_[s["x"], s["y"]]),
        ("DAOStarFinder", lambda: dao(flat), 1, lambda s: np.c_[np.array(s["x_centroid"]), np.array(s["y_centroid"])]),
    ):
        seconds, cpu, found = best(work, times)
        verdict = judge(places(found), *truth, plane.shape)
        rows.append({"who": name, "seconds": seconds, "cpu_seconds": cpu, "entries": len(found), **verdict})
    for row in rows:
        row["times_slower"] = row["seconds"] / rows[0]["seconds"]
    return {"megapixels": plane.size / 1e6, "cores": os.cpu_count(), "rows": rows}


def run_scenes(seeds=(301, 302, 303), shape=(1000, 1430)):
    """Judge the star list in every scene; each seed changes the field stars, the noise and the objects."""
    rows = []
    for name, scene in SCENES.items():
        verdicts = []
        for seed in seeds:
            objects = [{**item.model_dump(), "seed": item.seed + seed} for item in scene.objects]
            sim = simulate(name, seed=seed, shape=shape, **({"objects": objects} if objects else {}))
            off = sim.stack.planes.mean(axis=0) - sim.truth.noiseless.mean(axis=0)
            noise = 1.4826 * float(np.median(np.abs(off[100:-100, 100:-100])))
            found = find_stars(sim.stack.planes)
            verdicts.append(judge(np.c_[found.x, found.y], *truth_of(sim, noise), shape))
        wanted = np.array([v["wanted"] for v in verdicts], float)
        mean = {k: float(np.average([v[k] for v in verdicts], weights=wanted)) for k in verdicts[0] if k != "wanted"}
        rows.append({"scene": name, "wanted": int(wanted.sum()), **mean})
    return {"megapixels": shape[0] * shape[1] / 1e6, "rows": rows}


def print_scenes(result):
    print(f"{result['megapixels']:.1f} megapixels a frame, three frames a scene\n")
    print("| scene | lone stars over 10 sigma | complete | false | median error, px |")
    print("|---|---|---|---|---|")
    for r in result["rows"]:
        print(f"| {r['scene']} | {r['wanted']} | {r['completeness']:.3f} | {r['false']:.3f} | {r['median_px']:.3f} |")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--json", action="store_true", help="print JSON in place of a table")
    parser.add_argument("--scenes", action="store_true", help="judge every scene, without times")
    options = parser.parse_args()
    result = run_scenes() if options.scenes else run(options.megapixels, options.repeats)
    if options.json:
        print(json.dumps(result, indent=2))
        return
    if options.scenes:
        print_scenes(result)
        return
    print(f"{result['megapixels']:.1f} megapixels, {result['cores']} cores\n")
    print("| | seconds | CPU s | times slower | entries | complete | false | median error, px |")
    print("|---|---|---|---|---|---|---|---|")
    for r in result["rows"]:
        print(
            f"| {r['who']} | {r['seconds']:.2f} | {r['cpu_seconds']:.2f} | {r['times_slower']:.1f} | {r['entries']}"
            f" | {r['completeness']:.3f} | {r['false']:.3f} | {r['median_px']:.3f} |"
        )


if __name__ == "__main__":
    main()
