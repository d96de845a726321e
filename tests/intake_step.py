"""A STEP (ISO 10303-21, AP214) assembly of boxes, written entity by entity."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np


class Step:
    """Lines of a STEP file in the making; lengths in mm (or inches)."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, text: str) -> str:
        self.lines.append(f"#{len(self.lines) + 1}={text};")
        return f"#{len(self.lines)}"

    def point(self, at) -> str:
        return self.add(f"CARTESIAN_POINT('',({','.join(f'{float(x):.9f}' for x in at)}))")

    def direction(self, along) -> str:
        return self.add(f"DIRECTION('',({','.join(f'{float(x):.9f}' for x in along)}))")

    def frame(self, at=(0, 0, 0), z=(0, 0, 1), x=(1, 0, 0)) -> str:
        return self.add(f"AXIS2_PLACEMENT_3D('',{self.point(at)},{self.direction(z)},{self.direction(x)})")

    def face(self, corners: np.ndarray, flat: dict, edges: dict) -> str:
        """A planar face; vertices and edges already made are used again."""
        oriented = []
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            one, two = tuple(start), tuple(end)
            for corner in (one, two):
                if corner not in flat:
                    flat[corner] = self.add(f"VERTEX_POINT('',{self.point(corner)})")
            if (two, one) in edges:
                oriented.append(self.add(f"ORIENTED_EDGE('',*,*,{edges[two, one]},.F.)"))
                continue
            length = float(np.linalg.norm(end - start))
            vector = self.add(f"VECTOR('',{self.direction((end - start) / length)},{length:.9f})")
            line = self.add(f"LINE('',{self.point(start)},{vector})")
            edges[one, two] = self.add(f"EDGE_CURVE('',{flat[one]},{flat[two]},{line},.T.)")
            oriented.append(self.add(f"ORIENTED_EDGE('',*,*,{edges[one, two]},.T.)"))
        along = corners[1] - corners[0]
        normal = np.cross(along, corners[2] - corners[1])
        frame = self.frame(corners[0], normal / np.linalg.norm(normal), along / np.linalg.norm(along))
        loop = self.add(f"EDGE_LOOP('',({','.join(oriented)}))")
        bound = self.add(f"FACE_OUTER_BOUND('',{loop},.T.)")
        plane = self.add(f"PLANE('',{frame})")
        return self.add(f"ADVANCED_FACE('',({bound}),{plane},.T.)")

    def box(self, size: Sequence[float]) -> str:
        x, y, z = size
        low = np.array([[0, 0, 0], [x, 0, 0], [x, y, 0], [0, y, 0]], dtype=float)
        high = low + np.array([0, 0, z])
        sides = [np.array([low[k], low[(k + 1) % 4], high[(k + 1) % 4], high[k]]) for k in range(4)]
        flat: dict = {}
        edges: dict = {}
        faces = [self.face(corners, flat, edges) for corners in (low[::-1], high, *sides)]
        shell = self.add(f"CLOSED_SHELL('',({','.join(faces)}))")
        return self.add(f"MANIFOLD_SOLID_BREP('',{shell})")


def write_step(path: Path, boxes: dict[str, Sequence[float]], places, inch: bool = False) -> Path:
    """An assembly "ship" of named boxes: places lists (box, name of the copy, (x, y, z))."""
    step = Step()
    protocol = step.add("APPLICATION_CONTEXT('automotive design')")
    step.add(
        "APPLICATION_PROTOCOL_DEFINITION('international standard','automotive_design',2000," + protocol + ")"
    )
    product_context = step.add(f"PRODUCT_CONTEXT('',{protocol},'mechanical')")
    definition_context = step.add(f"PRODUCT_DEFINITION_CONTEXT('part definition',{protocol},'design')")
    context = _units(step, inch)
    origin = step.frame()

    def product(name: str) -> str:
        made = step.add(f"PRODUCT('{name}','{name}','',({product_context}))")
        formation = step.add(f"PRODUCT_DEFINITION_FORMATION('','',{made})")
        return step.add(f"PRODUCT_DEFINITION('design','',{formation},{definition_context})")

    def shape_of(definition: str, representation: str) -> None:
        shape = step.add(f"PRODUCT_DEFINITION_SHAPE('','',{definition})")
        step.add(f"SHAPE_DEFINITION_REPRESENTATION({shape},{representation})")

    definitions, representations = {}, {}
    for name, size in boxes.items():
        definitions[name] = product(name)
        items = f"{origin},{step.box(size)}"
        representations[name] = step.add(f"ADVANCED_BREP_SHAPE_REPRESENTATION('{name}',({items}),{context})")
        shape_of(definitions[name], representations[name])
    top = product("ship")
    frames = [step.frame(at) for _, _, at in places]
    whole = step.add(f"SHAPE_REPRESENTATION('ship',({','.join([origin, *frames])}),{context})")
    shape_of(top, whole)
    for (which, copy, _), frame in zip(places, frames, strict=True):
        used = step.add(f"NEXT_ASSEMBLY_USAGE_OCCURRENCE('{copy}','{copy}','',{top},{definitions[which]},$)")
        shape = step.add(f"PRODUCT_DEFINITION_SHAPE('','',{used})")
        moved = step.add(f"ITEM_DEFINED_TRANSFORMATION('','',{origin},{frame})")
        link = step.add(
            f"(REPRESENTATION_RELATIONSHIP('','',{representations[which]},{whole})"
            f"REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION({moved})SHAPE_REPRESENTATION_RELATIONSHIP())"
        )
        step.add(f"CONTEXT_DEPENDENT_SHAPE_REPRESENTATION({link},{shape})")
    head = (
        "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\n"
        f"FILE_NAME('{path.name}','2000-01-01T00:00:00',(''),(''),'','','');\n"
        "FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));\nENDSEC;\nDATA;\n"
    )
    path.write_text(head + "\n".join(step.lines) + "\nENDSEC;\nEND-ISO-10303-21;\n")
    return path


def _units(step: Step, inch: bool) -> str:
    length = step.add("(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))")
    if inch:
        exponents = step.add("DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.)")
        measure = step.add(f"LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),{length})")
        length = step.add(f"(CONVERSION_BASED_UNIT('INCH',{measure})LENGTH_UNIT()NAMED_UNIT({exponents}))")
    angle = step.add("(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.))")
    solid = step.add("(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT())")
    fine = step.add(
        f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-07),{length},'distance_accuracy_value','')"
    )
    return step.add(
        f"(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT(({fine}))"
        f"GLOBAL_UNIT_ASSIGNED_CONTEXT(({length},{angle},{solid}))REPRESENTATION_CONTEXT('',''))"
    )
