"""Dialogue: from a text and a grower to a reply and the grower as they then are.

Pure by rule: no clock, no Redis, no HTTP, no network; today's date is an argument. Reading the
flow files at start-up (`loading`) is the only input there is.

    schema, conditions, loading   flow files, and how they become machines
    walk                          the one way through the flows
    readers, quantities, days     reading what a grower types
    voice, messages               saying things in one language
    planning, composing           the plan, and the texts about it
    turn, acts                    one text in, one reply out
    sheet, advice                 the same advice from an answer sheet
    proof, fitting                what `fieldbell check` shows
"""
