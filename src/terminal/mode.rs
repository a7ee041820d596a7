//! How the terminal takes keys: as whole lines, with Ctrl-C as a signal. A line editor changes that
//! while it reads, and must not leave it so.

#![allow(clippy::disallowed_methods, reason = "this module talks to the terminal")]

#[cfg(unix)]
use rustix::termios::{
    LocalModes, OptionalActions, QueueSelector, SpecialCodeIndex, Termios, tcflush, tcgetattr,
    tcsetattr,
};
use std::thread::JoinHandle;
#[cfg(unix)]
use std::time::Duration;

/// How long after a stop the rest of a pasted text still arrives.
#[cfg(unix)]
const REST: Duration = Duration::from_millis(200);

/// Time between two flushes of it.
#[cfg(unix)]
const LOOK: Duration = Duration::from_millis(20);

/// What stands for no key (POSIX.1, `_POSIX_VDISABLE`).
#[cfg(unix)]
const VDISABLE: u8 = if cfg!(target_os = "linux") { 0 } else { 0xff };

/// The terminal of standard input as it should be while no line is edited.
pub(crate) struct Mode {
    #[cfg(unix)]
    plain: Option<Termios>,
}

impl Mode {
    /// As it is now, but for what every program that is stopped by keys needs; nothing where
    /// standard input is no terminal.
    pub(crate) fn take() -> Mode {
        #[cfg(unix)]
        {
            let plain = tcgetattr(std::io::stdin()).ok().map(|mut plain| {
                // Another program may have ended without setting the terminal back.
                plain.local_modes |= LocalModes::ISIG | LocalModes::ICANON | LocalModes::ECHO;
                // Ctrl-C throws away what was typed before it.
                plain.local_modes &= !LocalModes::NOFLSH;
                plain
            });
            Mode { plain }
        }
        #[cfg(not(unix))]
        Mode {}
    }

    /// Restores these settings.
    pub(crate) fn set(&self) {
        #[cfg(unix)]
        if let Some(plain) = &self.plain {
            // A terminal that is gone needs none.
            let _ = tcsetattr(std::io::stdin(), OptionalActions::Drain, plain);
        }
    }

    /// The same while something runs: a Ctrl-D is kept for the line editor, which a terminal would
    /// take as the end of a line and lose.
    pub(crate) fn keep_ends(&self) {
        #[cfg(unix)]
        if let Some(plain) = &self.plain {
            let mut keeping = plain.clone();
            keeping.special_codes[SpecialCodeIndex::VEOF] = VDISABLE;
            let _ = tcsetattr(std::io::stdin(), OptionalActions::Drain, &keeping);
        }
    }

    /// Throws away what was typed and is not read yet, and for a moment what still comes: the rest
    /// of a pasted text. That moment is over when the thread ends.
    pub(crate) fn discard_typed(&self) -> Option<JoinHandle<()>> {
        #[cfg(unix)]
        if self.plain.is_some() {
            let drop = || {
                // A terminal that is gone holds nothing.
                let _ = tcflush(std::io::stdin(), QueueSelector::IFlush);
            };
            drop();
            return Some(std::thread::spawn(move || {
                for _ in 0..REST.as_millis() / LOOK.as_millis() {
                    std::thread::sleep(LOOK);
                    drop();
                }
            }));
        }
        None
    }
}
