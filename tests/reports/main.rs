//! What the book adds up to.

mod harvest;
mod week;
mod weight_loss;
