"""Reads a workbook and prints what it holds as JSON: python3 read.py FILE.xlsx"""
import datetime
import json
import sys

import openpyxl


def cell(values, formulas):
    v = values.value
    out = {"format": values.number_format, "bold": bool(values.font.b)}
    if formulas.data_type == "f":
        out["formula"] = formulas.value
    if values.hyperlink is not None:
        out["link"] = values.hyperlink.location or ""
    if values.data_type == "e":
        return out | {"kind": "error", "value": str(v)}
    if isinstance(v, bool):
        return out | {"kind": "bool", "value": str(v)}
    if isinstance(v, (int, float)):
        return out | {"kind": "number", "value": repr(v)}
    if isinstance(v, datetime.datetime):
        return out | {"kind": "time", "value": v.isoformat(timespec="milliseconds")}
    if isinstance(v, datetime.timedelta):
        return out | {"kind": "duration", "value": str(round(v / datetime.timedelta(milliseconds=1)))}
    if isinstance(v, datetime.time):
        ms = ((v.hour * 60 + v.minute) * 60 + v.second) * 1000 + round(v.microsecond / 1000)
        return out | {"kind": "duration", "value": str(ms)}
    return out | {"kind": "text", "value": str(v)}


def sheet(values, formulas):
    cells = {}
    for row in values.iter_rows():
        for c in row:
            if c.value is not None or formulas[c.coordinate].value is not None:
                cells[c.coordinate] = cell(c, formulas[c.coordinate])
    page = values.page_setup
    return {
        "name": values.title, "cells": cells, "rows": values.max_row,
        "freeze": values.freeze_panes or "", "filter": (values.auto_filter.ref or "").replace("$", ""), "printTitles": (values.print_title_rows or "").replace("$", ""),
        "printArea": printed(values), "scale": int(page.scale or 0),
        "paper": int(page.paperSize or 0), "orientation": page.orientation or "", "fitToWidth": int(page.fitToWidth or 0),
        "fitToPage": bool(values.sheet_properties.pageSetUpPr and values.sheet_properties.pageSetUpPr.fitToPage),
        "gridLines": bool(values.sheet_view.showGridLines), "header": values.oddHeader.left.text or "",
        "footer": values.oddFooter.right.text or "", "charts": len(values._charts),
    }


def printed(sheet):
    """The range that is printed, without the sheet's name; openpyxl gives a list or a text by its version."""
    area = sheet.print_area or ""
    if isinstance(area, list):
        area = ",".join(area)
    return area.split("!")[-1].replace("$", "")


def names(book):
    """The names of the whole workbook; openpyxl before 3.1 keeps them in a list with those of single sheets."""
    found = book.defined_names
    listed = found.definedName if hasattr(found, "definedName") else found.values()
    return {d.name: d.attr_text for d in listed if d.localSheetId is None}


def main(path):
    values = openpyxl.load_workbook(path, data_only=True)
    formulas = openpyxl.load_workbook(path)
    print(json.dumps({
        "sheets": [sheet(s, formulas[s.title]) for s in values.worksheets],
        "names": names(values),
        "title": values.properties.title or "", "creator": values.properties.creator or "",
        "created": values.properties.created.isoformat(),
    }))


main(sys.argv[1])
