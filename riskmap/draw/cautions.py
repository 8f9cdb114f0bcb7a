"""What must be read with every result; the first line goes first wherever they are shown."""

from __future__ import annotations

from typing import Final

__all__ = ["CAUTIONS"]

CAUTIONS: Final[tuple[str, ...]] = (
    "This shows the pressure of damage to young trees. It says nothing about danger from trees to people or property, "
    "and it neither reads nor replaces a tree inspector's rating.",
    "Pressures are estimates for planning, not a promise of what will happen to any one tree.",
    "Look before you fit: a map is no inspection. Have a qualified arborist judge any tree in doubt.",
    "A guard left on too long kills by girdling. Keep to the dates for loosening and taking off.",
    "Deer, beaver and beaver dams are protected by law in many places, and traps, fences and repellents may need a "
    "permit. Ask the wildlife agency first.",
    "Fences, guards and posts in floodplains, wetlands and on riverbanks may need a permit.",
    "Have buried lines marked by the utility-location service before any stake or post is driven. "
    "Posts disturb the ground: mind utilities and archaeology.",
    "Cut mesh is sharp and springs back. Wear gloves and eye protection.",
    "The label of a herbicide or repellent is the law. Near water and on food crops only products labelled for that "
    "use, put on by licensed people.",
    "Keep sight lines, road clearances and the clear width of walks that the local code asks for.",
    "Electric fences need warning signs and the maker's instructions.",
    "Beside traffic, water, ice and undercut banks, work to the local safety rules.",
    "Look for nesting birds and snakes before lifting tubes and nets, and net the tops of open tubes.",
    "Wear gloves when handling dead animals and in water that beaver use.",
    "On private land, ask the owner first.",
)
