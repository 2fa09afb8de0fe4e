"""Kinship, pedigree and founders."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response

from planner.tasks.founder_figure import founder_figure
from planner.tasks.founders import DROPS, FounderBoard, founder_board
from planner.tasks.kinship_page import heat_map, heat_map_still, kinship_page, pedigree_page
from planner.tasks.workplace import Workplace
from planner.web.desk import state_of
from planner.web.downloads import safe_table
from planner.web.render import page

router = APIRouter(include_in_schema=False)


def _svg(text: str, name: str) -> Response:
    return Response(
        text,
        media_type="image/svg+xml",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _csv(text: str, name: str) -> Response:
    return Response(
        safe_table(text),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def warm(workplace: Workplace) -> None:
    """Make what these pages show, so that the first who asks need not wait."""
    workplace.kept("heat map", heat_map)
    workplace.kept("kinship page", kinship_page)
    workplace.kept("founder board", founder_board)


@router.get("/kinship", response_class=HTMLResponse)
def kinship(request: Request) -> Response:
    """Show the page; its parts come after it."""
    return page(request, "kinship.html", title="Kinship")


@router.get("/kinship/table", response_class=HTMLResponse)
def kinship_table(request: Request) -> Response:
    """Show figures, closest pairs and the fish."""
    found = state_of(request).workplace.kept("kinship page", kinship_page)
    return page(request, "kinship_table.html", k=found)


@router.get("/kinship/matrix.json")
def kinship_matrix(request: Request) -> Response:
    """Return the matrix for the heat map."""
    return JSONResponse(state_of(request).workplace.kept("heat map", heat_map))


@router.get("/kinship/heat_map.svg")
def kinship_svg(request: Request) -> Response:
    """Send the heat map as a figure."""
    still = state_of(request).workplace.kept("heat map, still", heat_map_still)
    return _svg(still.svg(), "kinship_heat_map.svg")


@router.get("/kinship/heat_map.csv")
def kinship_csv(request: Request) -> Response:
    """Send every pair of the heat map as a table."""
    still = state_of(request).workplace.kept("heat map, still", heat_map_still)
    return _csv(still.table().to_csv(index=False, lineterminator="\n"), "kinship_pairs.csv")


@router.get("/kinship/fish.csv")
def kinship_fish_csv(request: Request) -> Response:
    """Send mean kinship and inbreeding of every fish in care as a table."""
    import pandas as pd

    found = state_of(request).workplace.kept("kinship page", kinship_page)
    return _csv(pd.DataFrame(found.fish).to_csv(index=False, lineterminator="\n"), "mean_kinship.csv")


@router.get("/pedigree", response_class=HTMLResponse)
def pedigree(request: Request, fish: str = "") -> Response:
    """Ask for a fish, or show its pedigree."""
    return page(
        request, "pedigree.html", title=f"Pedigree of {fish}" if fish else "Pedigree", fish=fish.strip()
    )


@router.get("/pedigree/tree", response_class=HTMLResponse)
def pedigree_tree(request: Request, fish: str) -> Response:
    """Show ancestors, offspring and sibs of a fish."""
    found = pedigree_page(state_of(request).workplace.programme(), fish)
    return page(request, "pedigree_tree.html", p_=found)


@router.get("/founders", response_class=HTMLResponse)
def founders(request: Request) -> Response:
    """Show the page; the board comes after it."""
    return page(request, "founders.html", title="Founders")


def _board(request: Request) -> FounderBoard:
    return state_of(request).workplace.kept("founder board", founder_board)


def _figure(request: Request) -> str:
    board = _board(request)
    return state_of(request).workplace.kept("founder figure", lambda _: founder_figure(board).svg)


@router.get("/founders/board", response_class=HTMLResponse)
def board(request: Request) -> Response:
    """Show the founder board."""
    found = _board(request)
    head, rows = found.loss_rows()
    lines = found.table.to_dict("records")
    most = max((line["share"] for line in lines), default=1.0)
    figure = _figure(request).replace(
        "<svg ", '<svg role="img" aria-label="Founder lines by place; the table below has the numbers" ', 1
    )
    return page(
        request,
        "founder_board.html",
        numbers=found.numbers,
        lines=lines,
        most=most,
        head=head,
        rows=rows,
        figure=figure,
        drops=DROPS,
    )


@router.get("/founders/lines.svg")
def lines_svg(request: Request) -> Response:
    """Send the figure of the founder lines."""
    return _svg(_figure(request), "founder_lines.svg")


@router.get("/founders/lines.csv")
def lines_csv(request: Request) -> Response:
    """Send what the figure was drawn from."""
    table = founder_figure(_board(request)).table
    return _csv(table.to_csv(index=False, lineterminator="\n"), "founder_lines_data.csv")


@router.get("/founders/board.csv")
def board_csv(request: Request) -> Response:
    """Send the whole founder board as a table."""
    return _csv(_board(request).table.to_csv(index=False, lineterminator="\n"), "founder_board.csv")
