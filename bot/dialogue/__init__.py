"""Dialogue: from a text and a grower to a reply and the grower as they then are.

Pure by rule: no clock, no Redis, no HTTP, no network; today's date is an argument. Reading the
flow files at start-up (`loading`) is the only input there is.

    schema, conditions, loading   flow files, and how they become machines
    walk                          the one way through the flows
    readers, voice, messages      what a grower types, and what is said
    planning, composing           the plan, and the texts about it
    turn                          one text in, one reply out
    sheet                         the same advice from an answer sheet
    proof, fitting                what `fieldbell check` shows
"""
