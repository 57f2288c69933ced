//! A farm to which everything awkward happens within a few weeks.
