"""What tests share.  The index, by what one is looking for; each module says more itself.

Logs and rides
    logs, frames            records and bytes by hand; an obvious, slow reader beside them
    rides                   small rides without any file
    simulated_rides         the simulated board's, with its truth; launch_rides for two settings,
                            scored_cells and findings_scores for how near a finding came
    faults                  one scripted thing goes wrong; textbook_launch, pulse_cell,
                            ride_library: by textbook, by a public data set, by the hundred
    doc_rides, shared_logs, known_part    for the documentation, for what must not be shared, for a
                            channel that is known in part
    generated_logs          random boots, joins, losses, damage; segment_vectors: small, named
    reader_counts           what each of our readers counts of a log, by one set of names
    ledger, asking          the simulator's energy, balanced; what the questions are asked of

Boards, links and disks that are real
    capture                 a pseudo-terminal that can be unplugged, and the programs against it
    uart, printing_board, sketch, standing_board    what a line carries, boards that print, that run
                            a sketch, that stand still
    bluez_peripheral, bluez_board         Bluetooth on a D-Bus of its own
    tcp_bridge, can_bus     a bridge that can be pulled; a bus
    disconnects, bluez_disconnects, kills, full_disks, small_disk    what goes wrong, at random

Outside readers
    independent, another_decoder, witnesses    decoders from the specification alone; old logs
    emitters, emitter_vectors             C and MicroPython, compiled and run

Pages
    browser, accessible     a headless Chromium; the published accessibility rules

Files that are made, never written by hand
    protocol_files, board_doc, texts      vectors, vocabulary; tables of keys; help, completion
    channels                every standard channel

How tests run
    started, timing         programs without the wait for their imports; times that are fair
    doc_commands            the documentation's commands
    kept, late              inputs made once a run for all workers; packages loaded when first used
"""
