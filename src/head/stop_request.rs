//! Stop requests: Ctrl-C and what else ends a program stop what runs, so that the head is made safe.

#![allow(clippy::disallowed_methods, reason = "this file is about signals of the system")]

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use thiserror::Error;

/// Stop requests would be missed.
#[derive(Debug, Error)]
#[error("signals such as Ctrl-C cannot be watched for, so nothing is run: {0}")]
pub struct SignalsError(#[from] io::Error);

/// Sets flags on Ctrl-C (SIGINT), Ctrl-\ (SIGQUIT), a request to end (SIGTERM) and a closed terminal
/// (SIGHUP); on Windows on Ctrl-C, Ctrl-Break, and where console, session or system end. Ctrl-Z does not suspend: the
/// head would be unwatched meanwhile.
pub fn stop_on_request(flags: &[Arc<AtomicBool>]) -> Result<(), SignalsError> {
    Ok(system::set(flags, true)?)
}

/// Sets flags on a request to end the program, and not on Ctrl-C.
pub fn end_on_request(flags: &[Arc<AtomicBool>]) -> Result<(), SignalsError> {
    Ok(system::set(flags, false)?)
}

/// Calls a function at each stop request, on a thread of its own.
pub fn each_request(call: impl Fn() + Send + 'static) -> Result<(), SignalsError> {
    Ok(system::watch(true, call)?)
}

#[cfg(unix)]
mod system {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM, SIGTSTP};
    use signal_hook::flag::register;
    use std::io;
    use std::sync::Arc;
    use std::sync::atomic::AtomicBool;

    fn requests(with_ctrl_c: bool) -> impl Iterator<Item = i32> {
        [SIGTERM, SIGHUP, SIGQUIT].into_iter().chain(with_ctrl_c.then_some(SIGINT))
    }

    pub(super) fn set(flags: &[Arc<AtomicBool>], with_ctrl_c: bool) -> io::Result<()> {
        for flag in flags {
            requests(with_ctrl_c)
                .try_for_each(|signal| register(signal, flag.clone()).map(drop))?;
        }
        register(SIGTSTP, Arc::new(AtomicBool::new(false))).map(drop)
    }

    pub(super) fn watch(with_ctrl_c: bool, call: impl Fn() + Send + 'static) -> io::Result<()> {
        let mut signals = signal_hook::iterator::Signals::new(requests(with_ctrl_c))?;
        std::thread::spawn(move || signals.forever().for_each(|_| call()));
        set(&[], with_ctrl_c)
    }
}

/// Signals of C are Ctrl-C only, so consoles tell of all.
#[cfg(windows)]
mod system {
    use std::io;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};
    use tokio::signal::windows::{ctrl_break, ctrl_c, ctrl_close, ctrl_logoff, ctrl_shutdown};

    pub(super) fn set(flags: &[Arc<AtomicBool>], with_ctrl_c: bool) -> io::Result<()> {
        let flags = flags.to_vec();
        watch(with_ctrl_c, move || flags.iter().for_each(|flag| flag.store(true, Ordering::SeqCst)))
    }

    /// Where it is about to end the program, Windows waits some seconds for it.
    pub(super) fn watch(with_ctrl_c: bool, call: impl Fn() + Send + 'static) -> io::Result<()> {
        let runtime = tokio::runtime::Builder::new_current_thread().build()?;
        let inside = runtime.enter();
        let mut typed = with_ctrl_c.then(ctrl_c).transpose()?;
        let (mut broken, mut closed) = (ctrl_break()?, ctrl_close()?);
        let (mut left, mut shut) = (ctrl_logoff()?, ctrl_shutdown()?);
        drop(inside);
        std::thread::spawn(move || {
            runtime.block_on(async {
                loop {
                    tokio::select! {
                        Some(()) = async { typed.as_mut()?.recv().await } => {}
                        _ = broken.recv() => {}
                        _ = closed.recv() => {}
                        _ = left.recv() => {}
                        _ = shut.recv() => {}
                    }
                    call();
                }
            });
        });
        Ok(())
    }
}
