"""The process that opens valves.

`rowwater serve` turns into `main`, without the command line's libraries.  `start` closes every valve first,
then reads the settings, starts the guard and opens the books; `daemon` ticks until it is told to stop; `end`
closes again.  One thread ticks; whatever may hang has a thread or a process of its own, and answers through
a queue.

    pure     ledger and master (what may open), water_records (what an opening gave, with bounds where in
             doubt), dayplan, limits, job_times, clock_trust, actions (the values between them)
    a tick   tick, requests (of people), recovery (of an earlier process), on_record, planned, summary,
             notices
    doors    valve_threads, books (the disk), jobs, job, child (daily job, reading of garden.yaml), control,
             meter, stations, alarms, ticker (APScheduler as a ticker and nothing else), systemd
    guard    guard, guardlink, guard_keeper: a second process that closes everything when the first is gone;
             earlier_guards: those of a service that was killed, which are waited for

Four layers close a valve: its thread's own deadline, the guard, the service manager (watchdog, restart,
ExecStopPost), the wiring.  A time that one of them promises is a constant of its module; README's table is
made from these constants (`python examples/fault_table.py --write`), and tests/deploy holds the unit file
against them.
"""
