//! The program around a head of one's own: everything that spintrue does, with the head at the
//! address `own`, or `own:open` with its interlock open.
//!
//! ```sh
//! cargo run --example own_head -- head check own --trims --spin --allow-light
//! cargo run --example own_head -- run scripts/bring_up.spt --head own
//! cargo run --example own_head -- serve --head own
//! ```

mod board;
mod head;

use board::Imaginary;
use head::{OwnGauge, OwnHead};
use crate::cli;
use crate::cli::{HeadAndGauge, main_with};
use std::cell::RefCell;
use std::process::ExitCode;
use std::rc::Rc;

/// Opens the head; `rest` is what stands behind `own:`.
fn open(rest: &str) -> Result<HeadAndGauge, String> {
    let mut board = Imaginary::new();
    board.interlock = match rest {
        "" => true,
        "open" => false,
        other => return Err(format!("behind `own:` stands `open` or nothing, not `{other}`")),
    };
    let board = Rc::new(RefCell::new(board));
    let head = OwnHead::new(Rc::clone(&board));
    Ok((Box::new(head), Some(Box::new(OwnGauge { board }))))
}

fn main() -> ExitCode {
    main_with(&[cli::OwnHead { name: "own", open }])
}
