//! The cold side: readings, their evaluation, the record, and who is told.

mod evaluation;
mod notices;
mod readings;
mod record;
