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

# libharu writes the width of every character of the font into every document: each hundred costs 600 bytes.
WANTED = [
    (0x0020, 0x007E), (0x00A0, 0x00AC), (0x00AE, 0x017F),  # Latin, without the soft hyphen
    (0x018F, 0x018F), (0x0192, 0x0192), (0x01A0, 0x01A1), (0x01AF, 0x01B0), (0x0218, 0x021B), (0x0259, 0x0259),
    (0x02B9, 0x02BC), (0x02C6, 0x02C7), (0x02D8, 0x02DD),  # letters' apostrophes, spacing accents
    (0x0300, 0x030C), (0x0323, 0x0328),  # combining accents
    (0x0370, 0x03FF), (0x0400, 0x045F), (0x0490, 0x0493), (0x049A, 0x04B3), (0x04D8, 0x04D9),  # Greek, Cyrillic
    (0x04E8, 0x04E9), (0x1E80, 0x1E85), (0x1E9E, 0x1E9E), (0x1EA0, 0x1EF9),  # Welsh, German, Vietnamese
    (0x2010, 0x2027), (0x202F, 0x203A), (0x2044, 0x2044),  # punctuation
    (0x2070, 0x208E), (0x20A0, 0x20BF), (0x2116, 0x2116), (0x2122, 0x2122), (0x2126, 0x2126),  # raised, money
    (0x2190, 0x2199), (0x21D2, 0x21D4),  # arrows
    (0x2202, 0x2202), (0x2206, 0x2206), (0x220F, 0x2213), (0x221A, 0x221A), (0x221E, 0x221E), (0x2248, 0x2248),
    (0x2260, 0x2265), (0x25A0, 0x25A1), (0x25B2, 0x25B3), (0x25C6, 0x25C7), (0x25CB, 0x25CF), (0x2713, 0x2718),
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
