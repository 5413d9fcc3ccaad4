"""The rig's self-check, one kind of item a module; `rig.bench.rig_check` puts them in order."""
