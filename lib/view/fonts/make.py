"""Cut the faces down and give each an unambiguous family name (fontTools 4.68.0). Run beside the package's `ttf` folder."""
import subprocess
from fontTools.ttLib import TTFont

UNICODES = (
    "U+0020-007E,U+00A0-017F,U+0192,U+0218-021B,U+0300-0304,U+0308,U+030A,U+0370-03FF,U+0400-045F,U+1E80-1E85,"
    "U+2010-2015,U+2018-2022,U+2026,U+202F,U+2030,U+2032,U+2033,U+2039,U+203A,U+2044,U+2070-209F,U+20AC,U+2103,U+2109,"
    "U+2113,U+2116,U+2122,U+2126,U+212B,U+2190-2199,U+21BA,U+21BB,U+2200-2265,U+226A,U+226B,U+2295,U+22C5,U+25A0-25FF,"
    "U+2605,U+2606,U+2609,U+2640,U+2713,U+2717,U+FFFD"
)
for file, family, style in [
    ("DejaVuSansCondensed.ttf", "DejaVu Sans Condensed", "Regular"),
    ("DejaVuSansCondensed-Bold.ttf", "DejaVu Sans Condensed", "Bold"),
    ("DejaVuSans-ExtraLight.ttf", "DejaVu Sans Light", "Regular"),
]:
    subprocess.run(["pyftsubset", f"ttf/{file}", f"--output-file={file}", f"--unicodes={UNICODES}", "--no-hinting",
                    "--layout-features=kern", "--name-IDs=*", "--notdef-outline"], check=True)
    font = TTFont(file, recalcTimestamp=False)
    names = font["name"]
    for number in (16, 17, 21, 22):
        names.removeNames(nameID=number)
    for record in names.names:
        if record.nameID in (1, 2):
            record.string = family if record.nameID == 1 else style
    font.save(file)
