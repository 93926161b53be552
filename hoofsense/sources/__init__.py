"""Where frames come from: instruments that are live, recordings, simulations and a person's typing.

A live source has start(sink, clock), stop() and status() (see link.LiveSource); it calls the sink from its
own thread, once for every RawFrame. Recordings and simulations are iterators of RawFrame; pacing.paced plays
them at the speed they were recorded at, or faster.
"""
