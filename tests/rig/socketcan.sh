#!/bin/bash
# In the virtual machine: acquisition records a real kernel CAN interface; every frame must be there.
set -e
modprobe -a vcan can-raw
ip link add vcan0 type vcan
ip link set vcan0 mtu 72 up
export PYTHONPATH=/rig/code:/opt/site
work=$(mktemp -d)
cat > "$work/bench.toml" <<'T'
[bench]
name = "virtual machine"
[wire.can]
kind = "socketcan"
channel = "vcan0"
T
mkfifo "$work/control"
python3 -m daq.acquire "$work/bench.toml" --journal "$work/journal" --run-dir "$work" < "$work/control" &
exec 3> "$work/control"
python3 /rig/code/tests/rig/socketcan_check.py "$work" 4000
exec 3>&-
wait
