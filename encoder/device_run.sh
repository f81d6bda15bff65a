#!/bin/sh
# Speaks and trains side by side on a machine with a GPU.
# Usage: device_run.sh CARRIED.tar.xz OUT CLIPS SECONDS
set -e
here=$(cd "$(dirname "$0")" && pwd)
mkdir -p /tmp/carried && tar -C /tmp/carried -xJf "$1"
export LD_LIBRARY_PATH=/tmp/carried/flite PYTHONPATH=/tmp/carried:$here OMP_NUM_THREADS=1
python3 -c "import torch, scipy, onnxruntime, hibari; print(torch.cuda.get_device_name())"
nproc
nohup python3 "$here/speech.py" /tmp/speech --clips "$3" --words /tmp/carried/words.txt \
    --dictionary /tmp/carried/cmudict-en-us.dict --espeak /tmp/carried/espeak \
    --flite /tmp/carried/flite/flite --workers 15 >/tmp/speech.log 2>&1 &
python3 "$here/train.py" /tmp/speech /tmp/trained --others /tmp/carried/others.npz \
    --seconds "$4" --batch "${5:-768}" --least 30 ${6:+--begin-with "$6"} || { tail -20 /tmp/speech.log; exit 1; }
tail -3 /tmp/speech.log
cp /tmp/trained/encoder.pt "$2"/
