//! The wire from outside: the program as server and as client, plain sockets between them, and
//! everything that can break there.

pub mod bench;
mod bounded;
#[cfg(unix)]
mod cable;
mod fake;
mod foreign;
#[cfg(unix)]
mod guess;
mod links;
mod load;
mod others;
mod overtaking;
mod page;
mod rehearse;
mod safety;
#[cfg(unix)]
mod serial;
mod session;
mod speed;
mod station;
mod stop;
mod token;
mod told;
