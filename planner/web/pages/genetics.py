"""Kinship, pedigree and founders."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response

from planner.tasks.founders import founder_board
from planner.tasks.kinship_page import heat_map, kinship_page, pedigree_page
from planner.web.desk import state_of
from planner.web.render import page

router = APIRouter(include_in_schema=False)


@router.get("/kinship", response_class=HTMLResponse)
def kinship(request: Request) -> Response:
    """Show the page; its parts come after it."""
    return page(request, "kinship.html", title="Kinship")


@router.get("/kinship/table", response_class=HTMLResponse)
def kinship_table(request: Request) -> Response:
    """Show figures, closest pairs and the fish."""
    found = kinship_page(state_of(request).workplace.programme())
    return page(request, "kinship_table.html", k=found)


@router.get("/kinship/matrix.json")
def kinship_matrix(request: Request) -> Response:
    """Return the matrix for the heat map."""
    return JSONResponse(heat_map(state_of(request).workplace.programme()))


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


@router.get("/founders/board", response_class=HTMLResponse)
def board(request: Request) -> Response:
    """Show the founder board."""
    found = founder_board(state_of(request).workplace.programme())
    head, rows = found.loss_rows()
    lines = found.table.to_dict("records")
    most = max((line["share"] for line in lines), default=1.0)
    return page(
        request, "founder_board.html", numbers=found.numbers, lines=lines, most=most, head=head, rows=rows
    )
