//! The book: entries and what takes them back, holds, warm spells, traces, life.

mod entries;
mod holds;
mod life;
mod pairs;
mod recall;
mod warm_spells;
