//! What an archive tells: lists, trends, what is due, and a page for each unit.

pub mod calendar;
pub mod plot;
pub mod text;
pub mod trend;
pub mod unit;
