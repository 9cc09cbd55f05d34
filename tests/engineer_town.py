"""A town of three pipes for the engineer's desk: a held, a proposed and a cleaned one; a photo."""

from __future__ import annotations

from pathlib import Path

from PIL import Image
from small_project import PRICES, PROJECT, write_project

# On 0017 a break without a figure, which an engineer must decide, lies between two cracks.
HEAD = (
    "inspection_id,pipe_id,start_node,date,laterals_coded,s_m,code,char1,char2,q1,remark,photo,"
    "video,video_s\n"
)
SURVEYS = f"""{HEAD}R1,0017,A,2025-05-01,yes,0,BCD,A,,,,,,
R1,0017,A,2025-05-01,yes,5.2,BAB,B,A,2,seen,p1.png,run1.mp4,75
R1,0017,A,2025-05-01,yes,12.0,BAC,A,,,,,,
R1,0017,A,2025-05-01,yes,20.0,BAB,C,B,6,,gone.jpg,run1.mp4,3700
R1,0017,A,2025-05-01,yes,39.2,BCE,A,,,,,,
R2,0018,B,2025-05-01,yes,0,BCD,A,,,,,,
R2,0018,B,2025-05-01,yes,7.0,BAB,C,B,6,,,,
R2,0018,B,2025-05-01,yes,39.2,BCE,A,,,,,,
R3,0019,C,2025-05-01,yes,0,BCD,A,,,,,,
R3,0019,C,2025-05-01,yes,9.0,BBC,C,,10,,,,
R3,0019,C,2025-05-01,yes,39.2,BCE,A,,,,,,
"""
MEDIA = '[media]\nfolder = "media"\n'
# By (pipe, place): ids are given in that order (DESIGN section 3, point 11).
CRACK, BREAK, WIDE, ALONE, DEPOSIT = (f"D-{number:06d}" for number in range(1, 6))


def write_town(folder: Path, **texts: str) -> Path:
    """Write it; `texts` replaces files as for `write_project`."""
    media = folder / "media"
    media.mkdir(parents=True)
    Image.new("RGB", (64, 48), (90, 110, 130)).save(media / "p1.png")
    own = {"crews_toml": "", "stock_csv": "", "surveys_csv": SURVEYS, "prices_toml": PRICES}
    return write_project(folder, **{**own, "planner_toml": PROJECT + MEDIA, **texts})
