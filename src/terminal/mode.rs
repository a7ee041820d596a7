//! How the terminal takes keys: as whole lines, with Ctrl-C as a signal. A line editor changes that
//! while it reads, and must not leave it so.

#[cfg(unix)]
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};

/// The terminal of standard input as it should be while no line is edited.
pub struct Mode {
    #[cfg(unix)]
    plain: Option<Termios>,
}

impl Mode {
    /// As it is now, but for what every program that is stopped by keys needs; nothing where
    /// standard input is no terminal.
    pub fn take() -> Mode {
        #[cfg(unix)]
        {
            let plain = tcgetattr(std::io::stdin()).ok().map(|mut plain| {
                // Another program may have ended without setting the terminal back.
                plain.local_modes |= LocalModes::ISIG | LocalModes::ICANON | LocalModes::ECHO;
                plain
            });
            Mode { plain }
        }
        #[cfg(not(unix))]
        Mode {}
    }

    /// Sets it so.
    pub fn set(&self) {
        #[cfg(unix)]
        if let Some(plain) = &self.plain {
            // A terminal that is gone needs none.
            let _ = tcsetattr(std::io::stdin(), OptionalActions::Drain, plain);
        }
    }
}
