"""Write the figures and tables of a report into a folder."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.reports.figures import diversity_trend, kinship_heat_map, write_figure
from planner.reports.heat_figure import MOST_HEAT_ROWS, HeatMap
from planner.tasks.diversity import DiversityReport, trend_table
from planner.tasks.kinship import KinshipReport
from planner.tasks.outputs import write_text

TREND_STATISTICS = {
    "expected_heterozygosity": "expected heterozygosity",
    "allelic_richness": "allelic richness",
}


def csv_text(table: pd.DataFrame) -> str:
    """Return a table as CSV text with full precision."""
    return table.to_csv(index=False, lineterminator="\n")


def write_diversity(report: DiversityReport, folder: Path) -> list[Path]:
    """Write the diversity table, and the trend figures when the groups are year classes."""
    folder.mkdir(parents=True, exist_ok=True)
    out = [folder / "diversity.csv"]
    write_text(out[0], csv_text(report.long_table()))
    for name, words in TREND_STATISTICS.items():
        trend = trend_table(report, name)
        if not trend.empty:
            out += write_figure(diversity_trend(trend, words), folder / f"trend_{name}")
    return out


def write_kinship(report: KinshipReport, folder: Path) -> list[Path]:
    """Write mean kinship, the matrix and the heat map, most related fish side by side."""
    folder.mkdir(parents=True, exist_ok=True)
    out = [folder / "mean_kinship.csv", folder / "kinship.csv"]
    write_text(out[0], csv_text(report.table))
    matrix = pd.DataFrame(report.matrix, columns=list(report.fish))
    matrix.insert(0, "fish_id", list(report.fish))
    write_text(out[1], csv_text(matrix))
    order = by_relatedness(report)
    labels = [report.fish[k] for k in order]
    ordered, title = report.matrix[order][:, order], "Kinship of the living fish in care"
    if len(labels) > MOST_HEAT_ROWS:
        return out
    out += write_figure(
        HeatMap(ordered, tuple(labels), title), folder / "kinship_heat_map", ("svg", "png", "data")
    )
    return out + write_figure(
        kinship_heat_map(ordered, labels, title), folder / "kinship_heat_map", ("html",)
    )


def by_relatedness(report: KinshipReport) -> list[int]:
    """Order fish so that relatives stand together: leaves of an average-linkage tree on kinship."""
    if len(report.fish) < 3:
        return list(range(len(report.fish)))
    import numpy as np
    from scipy.cluster.hierarchy import leaves_list, linkage
    from scipy.spatial.distance import squareform

    distance = 0.5 - np.minimum(report.matrix, 0.5)
    np.fill_diagonal(distance, 0.0)
    tree = linkage(squareform(distance, checks=False), "average", optimal_ordering=len(report.fish) <= 400)
    return [int(k) for k in leaves_list(tree)]
