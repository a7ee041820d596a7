//! A head of one's own that serves itself: `own_head [open] [HOST:PORT]`; with `open`, its interlock is
//! open.
//!
//! ```sh
//! cargo run --manifest-path docs/examples/own_head/Cargo.toml
//! spintrue head test tcp://127.0.0.1:5025 --trims --switch --spin --allow-light
//! spintrue run scripts/bring_up.spt --head tcp://127.0.0.1:5025
//! ```

mod board;
mod head;

use board::Imaginary;
use head::{OwnGauge, OwnHead};
use spintrue_head::{Listen, ServeOptions, serve};
use std::cell::RefCell;
use std::process::ExitCode;
use std::rc::Rc;

fn main() -> ExitCode {
    let mut board = Imaginary::new();
    let mut options = ServeOptions::default();
    for argument in std::env::args().skip(1) {
        match (argument.as_str(), argument.parse()) {
            ("open", _) => board.interlock = false,
            (_, Ok(address)) => options.listen = vec![Listen::Socket(address)],
            (other, Err(_)) => {
                eprintln!("error: `{other}`: write `open`, or HOST:PORT such as 127.0.0.1:5025");
                return ExitCode::from(2);
            }
        }
    }
    let board = Rc::new(RefCell::new(board));
    let head = OwnHead::new(Rc::clone(&board));
    match serve(Box::new(head), Some(Box::new(OwnGauge { board })), options) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}
