"""Sentences about what was measured in pictures, and about focus and light."""

WORDS: dict[str, str] = {
    "gauge-head": "{file:<{width}}  {sharpness:>10}  {edge:>8}  {share:>9}  {dots:>8}  {outside:>8}  {fill:>8}  {glare:>6}  {even:>8}",
    "gauge-column-file": "picture",
    "gauge-column-sharpness": "sharpness",
    "gauge-column-edge": "edge px",
    "gauge-column-share": "clipped %",
    "gauge-column-dots": "in dots",
    "gauge-column-outside": "outside",
    "gauge-column-fill": "dot fill",
    "gauge-column-glare": "glare",
    "gauge-column-even": "evenness",
    "gauge-none": "-",
    "gauge-no-plate": "{file}: no target found ({why}).",
    "gauge-sharpest": "Sharpest: {file} (number {number} of {count}); the peak lies at {peak:.2f} +- {sigma:.2f} frames, counted from 0.",
    "gauge-sharpest-end": "Sharpest: {file} (number {number} of {count}), at the end of the series: the peak may lie beyond it.",
    "gauge-no-series": "Which is sharpest can't be told: {why}.",
    "gauge-no-pictures": "There are no pictures in {folder}; wanted files that end in {endings}. Give the pictures' own names.",
    "gauge-no-file": "{file} does not exist; give the name of a picture or of a folder with pictures.",
}
