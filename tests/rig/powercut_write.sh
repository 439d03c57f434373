#!/bin/bash
# In the virtual machine: write a journal on a disk whose cache is lost at a power cut.
export PYTHONPATH=/rig/code:/opt/site
exec python3 /rig/code/tests/rig/powercut.py write /data/journal /rig/out/promised
