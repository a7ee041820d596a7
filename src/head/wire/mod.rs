//! The wire: heads spoken to over sockets and serial lines, after IEEE 488.2 and SCPI-1999, with a tree of commands of
//! our own. docs/wire.md describes it for other languages. Uses links.

pub(crate) mod acceptor;
pub(crate) mod authentication;
pub(crate) mod caller;
pub(crate) mod codec;
pub(crate) mod control;
pub(crate) mod driver;
pub(crate) mod errors;
pub(crate) mod frame;
pub(crate) mod greeting;
pub(crate) mod inbox;
pub(crate) mod incoming;
pub(crate) mod limits;
pub(crate) mod line;
pub(crate) mod link;
pub(crate) mod message;
pub(crate) mod mnemonic;
pub(crate) mod outcome;
pub(crate) mod protocol;
pub(crate) mod reader;
pub(crate) mod reply;
pub(crate) mod sender;
pub(crate) mod server;
pub(crate) mod session;
pub(crate) mod status;
pub(crate) mod stops;
pub(crate) mod suffix;
pub(crate) mod token;
pub(crate) mod tree;
pub(crate) mod watch;
pub(crate) mod words;
