//! The wire: heads spoken to over sockets and serial lines, after IEEE 488.2 and SCPI-1999, with a tree of commands of
//! our own. docs/wire.md describes it for other languages. Uses links.

pub mod acceptor;
pub mod authentication;
pub mod caller;
pub mod codec;
pub mod control;
pub mod driver;
pub mod errors;
pub mod frame;
pub mod greeting;
pub mod incoming;
pub mod limits;
pub mod line;
pub mod link;
pub mod message;
pub mod outcome;
pub mod protocol;
pub mod reader;
pub mod reply;
pub mod sender;
pub mod server;
pub mod session;
pub mod status;
pub mod suffix;
pub mod tree;
pub mod watch;
pub mod words;
