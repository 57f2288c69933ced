//! What the book adds up to.

mod week;
