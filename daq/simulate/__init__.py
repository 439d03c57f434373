"""A car on rollers, as devices on real wires.

``script`` drives, ``engine`` and ``car`` are the physics, ``exhaust`` the way of the gas to the
wideband sensor, ``trace`` the recent past and the ground truth, ``unit`` and ``car_can`` what the
devices put on their wires, ``line`` the wires themselves, ``bench`` all of it in real time on
pseudo-terminals or as fast as the machine can.
"""
