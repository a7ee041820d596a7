//! Stop requests: Ctrl-C and other signals stop what runs, so that the head is made safe.

#![allow(clippy::disallowed_methods, reason = "this file is about signals of the system")]

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag::register;
use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use thiserror::Error;

/// Stop requests would be missed.
#[derive(Debug, Error)]
#[error("signals such as Ctrl-C cannot be watched for, so nothing is run: {0}")]
pub struct SignalsError(#[from] io::Error);

/// Sets flags on Ctrl-C (SIGINT), Ctrl-\ (SIGQUIT), a request to end (SIGTERM) and a closed terminal
/// (SIGHUP); on Windows also on Ctrl-Break and a closed console. Ctrl-Z does not suspend: the head would be unwatched meanwhile.
pub fn stop_on_request(flags: &[Arc<AtomicBool>]) -> Result<(), SignalsError> {
    for flag in flags {
        register(SIGINT, flag.clone())?;
    }
    end_on_request(flags)
}

/// Sets flags on a request to end the program, and not on Ctrl-C.
pub fn end_on_request(flags: &[Arc<AtomicBool>]) -> Result<(), SignalsError> {
    let register_all = || -> io::Result<()> {
        for flag in flags {
            register(SIGTERM, flag.clone())?;
            #[cfg(unix)]
            {
                use signal_hook::consts::{SIGHUP, SIGQUIT};
                register(SIGHUP, flag.clone())?;
                register(SIGQUIT, flag.clone())?;
            }
        }
        #[cfg(unix)]
        register(signal_hook::consts::SIGTSTP, Arc::new(AtomicBool::new(false)))?;
        #[cfg(windows)]
        end_with_console(flags.to_vec())?;
        Ok(())
    };
    Ok(register_all()?)
}

/// Sets flags on Ctrl-Break, a closed console, the end of the session and of the system. Where it is about to end
/// the program, Windows waits some seconds for it.
#[cfg(windows)]
fn end_with_console(flags: Vec<Arc<AtomicBool>>) -> io::Result<()> {
    use tokio::signal::windows::{ctrl_break, ctrl_close, ctrl_logoff, ctrl_shutdown};
    let runtime = tokio::runtime::Builder::new_current_thread().build()?;
    let inside = runtime.enter();
    let (mut broken, mut closed) = (ctrl_break()?, ctrl_close()?);
    let (mut left, mut shut) = (ctrl_logoff()?, ctrl_shutdown()?);
    drop(inside);
    std::thread::spawn(move || {
        runtime.block_on(async {
            loop {
                tokio::select! {
                    _ = broken.recv() => {}
                    _ = closed.recv() => {}
                    _ = left.recv() => {}
                    _ = shut.recv() => {}
                }
                for flag in &flags {
                    flag.store(true, std::sync::atomic::Ordering::SeqCst);
                }
            }
        });
    });
    Ok(())
}

/// Calls a function at each stop request, on a thread of its own.
#[cfg(unix)]
pub fn each_request(call: impl Fn() + Send + 'static) -> Result<(), SignalsError> {
    use signal_hook::consts::{SIGHUP, SIGQUIT};
    let signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM, SIGHUP, SIGQUIT]);
    let mut signals = signals?;
    std::thread::spawn(move || signals.forever().for_each(|_| call()));
    end_on_request(&[])
}

/// Calls a function at each stop request, on a thread of its own.
#[cfg(not(unix))]
pub fn each_request(call: impl Fn() + Send + 'static) -> Result<(), SignalsError> {
    let stop = Arc::new(AtomicBool::new(false));
    stop_on_request(std::slice::from_ref(&stop))?;
    std::thread::spawn(move || {
        loop {
            if stop.swap(false, std::sync::atomic::Ordering::SeqCst) {
                call();
            }
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
    });
    Ok(())
}
