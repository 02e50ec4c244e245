"""What to do now: minutes, access, repairs, the gate, handing over."""
