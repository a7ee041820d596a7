//! Runs checked trees put together by hand on a head that keeps a log.

mod ask;
mod bounds;
mod flow;
mod guards;
mod head;
mod ran;
mod tree;
mod values;
