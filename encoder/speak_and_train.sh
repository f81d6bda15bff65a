#!/bin/sh
# Speaks and trains side by side on a machine with a GPU.
# Usage: speak_and_train.sh PARTS WORK CLIPS SECONDS [BEGIN_WITH]
#
# PARTS holds what is spoken with: words.txt (one word a line, the commonest first),
# cmudict-en-us.dict (from the pocketsphinx wheel), espeak/ (library and data from
# espeakng_loader), flite/ (Debian's command and libraries), hibari/ (the package), and
# others.npz (talk in other languages and music, 8-bit mu-law, arrays "talk" and "music").
set -e
here=$(cd "$(dirname "$0")" && pwd)
parts=$1 work=$2
mkdir -p "$work"
export LD_LIBRARY_PATH="$parts/flite" PYTHONPATH="$parts:$here" OMP_NUM_THREADS=1
python3 "$here/speech.py" "$work/speech" --clips "$3" --words "$parts/words.txt" \
    --dictionary "$parts/cmudict-en-us.dict" --espeak "$parts/espeak" \
    --flite "$parts/flite/flite" >"$work/speech.log" 2>&1 &
python3 "$here/train.py" "$work/speech" "$work/trained" --others "$parts/others.npz" \
    --seconds "$4" ${5:+--begin-with "$5"} || { tail -20 "$work/speech.log"; exit 1; }
