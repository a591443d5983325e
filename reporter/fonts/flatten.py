#!/usr/bin/python3
"""Makes the fonts of the packs, as C: DejaVu Sans and its bold, subset, every composite glyph made simple.

libharu 2.3.0 loses parts of nested composite glyphs when it embeds a font (the text can still be searched, so
only a picture shows it); simple glyphs survive, and the smaller font loads faster.

usage: flatten.py REGULAR.ttf BOLD.ttf OUT.c
"""
import hashlib
import sys

from fontTools import subset
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.ttLib import TTFont

# Version 2.37. Another version may be as good, but the picture test has to be looked at before it is pinned.
FACES = [
    ("regular", "abdc775b21b1bc470d50c97e790d276f2054b7504e56e5bd3e64f48d68582322"),
    ("bold", "0d977336a6d5fba34eab8e3199eb218327161b5143749f802982c2bc34df0c96"),
]

WANTED = [
    (0x0020, 0x007E), (0x00A0, 0x00AC), (0x00AE, 0x024F),  # Latin, without the soft hyphen
    (0x02C6, 0x02DD), (0x0300, 0x036F),  # spacing and combining accents
    (0x0370, 0x03FF), (0x0400, 0x052F),  # Greek, Cyrillic
    (0x1E00, 0x1EFF),  # Latin with marks: Vietnamese and others
    (0x2010, 0x2027), (0x202F, 0x205E),  # punctuation
    (0x2070, 0x209F), (0x20A0, 0x20BF),  # raised and lowered figures, currencies
    (0x2100, 0x214F), (0x2150, 0x218F),  # letter-like signs, fractions
    (0x2190, 0x21FF), (0x2200, 0x22FF),  # arrows, mathematics
    (0x2500, 0x25FF), (0x2713, 0x2718),  # boxes, shapes, ticks
    (0xFB01, 0xFB02), (0xFFFD, 0xFFFD),  # ligatures, the sign for what is missing
]


def load(path, name, wanted):
    with open(path, "rb") as file:
        found = hashlib.sha256(file.read()).hexdigest()
    if found != wanted:
        sys.exit(f"cannot use '{path}' as the {name} font: its SHA-256 is {found}, the packs were checked with "
                 f"{wanted} (fonts-dejavu-core of Debian 12, version 2.37)")
    return TTFont(path, recalcTimestamp=False)


def reduce(font):
    options = subset.Options(hinting=False, layout_features=[], glyph_names=False, legacy_cmap=False,
                             notdef_outline=True, recalc_timestamp=False, name_IDs=[0, 1, 2, 3, 4, 5, 6, 13, 14])
    options.drop_tables += ["FFTM"]
    subsetter = subset.Subsetter(options)
    subsetter.populate(unicodes=[u for first, last in WANTED for u in range(first, last + 1)])
    subsetter.subset(font)


def flatten(font):
    glyphs, outlines = font.getGlyphSet(), font["glyf"]
    for name in font.getGlyphOrder():
        if outlines[name].isComposite():
            drawn = DecomposingRecordingPen(glyphs)
            glyphs[name].draw(drawn)
            pen = TTGlyphPen(None)
            drawn.replay(pen)
            outlines[name] = pen.glyph()


def runs_of(font):
    """Runs of neighbouring characters with the widths that libharu will use: thousandths of an em, cut."""
    em, cmap, metrics = font["head"].unitsPerEm, font.getBestCmap(), font["hmtx"]
    runs = []
    for character in sorted(cmap):
        width = metrics[cmap[character]][0] * 1000 // em
        if runs and runs[-1][0] + len(runs[-1][1]) == character:
            runs[-1][1].append(width)
        else:
            runs.append((character, [width]))
    return runs


def numbers(values):
    values = [str(v) for v in values]
    return ",\n".join(",".join(values[i:i + 24]) for i in range(0, len(values), 24))


def emit(out, name, font, path):
    font.save(path)
    with open(path, "rb") as file:
        data = file.read()
    runs = runs_of(font)
    out.write(f"static const unsigned char {name}_bytes[] = {{\n{numbers(data)}}};\n")
    out.write(f"static const uint16_t {name}_widths[] = {{\n{numbers(w for _, ws in runs for w in ws)}}};\n")
    out.write(f"static const struct glyph_run {name}_runs[] = {{\n")
    at = 0
    for first, widths in runs:
        out.write(f"{{{first}, {first + len(widths) - 1}, {name}_widths + {at}}},\n")
        at += len(widths)
    out.write("};\n")
    return f"{{{name}_bytes, sizeof {name}_bytes, {name}_runs, sizeof {name}_runs / sizeof *{name}_runs}}"


def main(paths, out_path):
    with open(out_path, "w", encoding="ascii") as out:
        out.write('#include "fonts/fonts.h"\n\n')
        entries = []
        for (name, digest), path in zip(FACES, paths):
            font = load(path, name, digest)
            reduce(font)
            flatten(font)
            entries.append(emit(out, name, font, out_path + "." + name + ".ttf"))
        out.write("const struct font font_of_face[] = {" + ",\n".join(entries) + "};\n")


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit("usage: flatten.py REGULAR.ttf BOLD.ttf OUT.c")
    main(sys.argv[1:3], sys.argv[3])
