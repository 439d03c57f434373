#!/bin/bash
# In the virtual machine, after the cut: all that was promised must be in the journal.
export PYTHONPATH=/rig/code:/opt/site
exec python3 /rig/code/tests/rig/powercut.py check /data/journal /rig/out/promised
