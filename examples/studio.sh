#!/bin/sh
# The whole job at Halfmoon Lane Studio, which is invented, as are its printers, inks and papers. "rehearse" stands
# in for printing and scanning: nothing here needs a printer or a scanner, and no ink is spent.
# usage: examples/studio.sh [FOLDER]     (inkstrain must be on the PATH)
set -eu
folder=${1:-studio}
mkdir -p "$folder"

# 1. A chart. With a real printer: print the TIFF at 100 %, colours converted once, and let it dry.
key=$(inkstrain make --sheet a4 --space adobe-rgb --out "$folder" | tail -n 1)

# 2. The same chart from two printers. With a real scanner: 300 to 600 dpi, 16 bit, every correction off.
inkstrain rehearse "$key" --printer alder --intent relative --dpi 300 --seed 1 --out "$folder/alder.tif"
inkstrain rehearse "$key" --printer rowan --intent relative --dpi 300 --seed 2 --out "$folder/rowan.tif"

# 3. A score of each print, with what you want to remember of it. Exit code 1 would mean: outside the tolerances.
inkstrain tolerances > "$folder/tolerances.toml"   # change what you would not put up with
for name in alder rowan; do
    outcome=0
    inkstrain score "$folder/$name.tif" --json "$folder/$name.json" --report "$folder/$name.html" \
        --tolerances "$folder/tolerances.toml" \
        --printer "$name (invented)" --paper "gloss 290 (invented)" --intent relative || outcome=$?
    [ "$outcome" -le 1 ] || exit "$outcome"
done

# 4. Which one? The answer may well be: no difference shown.
inkstrain compare "$folder/alder.json" "$folder/rowan.json" --report "$folder/compared.html"
inkstrain compare "$folder/alder.json" "$folder/rowan.json"
