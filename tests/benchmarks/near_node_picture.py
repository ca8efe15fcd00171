"""Close to a scoring node a low camera turned outwards keeps markers that a high one loses: the picture in the README.

Run: python tests/benchmarks/near_node_picture.py

That it is so is common practice, from no published source; the figures are predictions for the sample study alone:
the share of all approaches (nodes, sides and mechanism states) from which a rig sees at least one, and at least two
markers, by the distance to the node. Draws near_node.png beside this file and prints the shares over the last half
metre.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.lines import Line2D

import fiducialkit
from fiducialkit.plots import style

SAMPLE = Path(__file__).parents[2] / "sample_data" / "study.toml"
RIGS = {"two low, turned out": "two low cameras, turned out", "two high": "two cameras at the top"}
NEAR_M = 0.5


def main():
    comparison = fiducialkit.compare_mounts(fiducialkit.load_study(SAMPLE))
    figure, axes = style.new_panels(1, 2, 9.0, 3.4)
    for ax, least in zip(axes, (1, 2), strict=True):
        for number, (rig, words) in enumerate(RIGS.items()):
            rows = comparison.by_approach[comparison.by_approach["rig"] == rig]
            share = (rows["markers"] >= least).groupby(rows["distance_m"]).mean()
            ax.plot(
                share.index,
                100.0 * share,
                color=style.LINE_COLOURS[number],
                linestyle=style.LINE_DASHES[number],
                linewidth=2.2,
            )
            near = rows[rows["distance_m"] <= NEAR_M + 1e-9]
            percent = 100.0 * float(np.mean(near["markers"] >= least))
            print(f"{words}: at least {least} on {percent:.0f} % of the last {NEAR_M:g} m")
        amount = "a marker" if least == 1 else "two markers"
        style.dressed(
            ax,
            title=f"{amount} in view",
            x_label="distance to the node [m], driving to the right",
            y_label="share of approaches [%]",
        )
        ax.set(xlim=(1.5, 0.0), ylim=(0.0, 103.0))
        ax.grid(color=style.FAINT, linewidth=0.6)
    handles = [
        Line2D([], [], color=style.LINE_COLOURS[number], linestyle=style.LINE_DASHES[number], linewidth=2.2)
        for number in range(len(RIGS))
    ]
    figure.legend(handles, list(RIGS.values()), loc="outside lower center", ncols=2, frameon=False)
    Path(__file__).with_name("near_node.png").write_bytes(style.png_bytes(figure))


if __name__ == "__main__":
    main()
