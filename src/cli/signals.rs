//! Requests from outside: Ctrl-C and its like stop what runs, so that the head is made safe.

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag::register;
use std::io::Result;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Sets these flags on Ctrl-C (SIGINT), Ctrl-\ (SIGQUIT), a request to end (SIGTERM) and a closed
/// terminal (SIGHUP). Ctrl-Z does not suspend: nobody would watch the head meanwhile.
pub(super) fn stop_on_request(flags: &[Arc<AtomicBool>]) -> Result<()> {
    for flag in flags {
        register(SIGINT, flag.clone())?;
    }
    end_on_request(flags)
}

/// Sets these flags on a request to end the program, and not on Ctrl-C.
pub(super) fn end_on_request(flags: &[Arc<AtomicBool>]) -> Result<()> {
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
    Ok(())
}

/// Calls this at each such request, on a thread of its own.
#[cfg(unix)]
pub(super) fn each_request(heard: impl Fn() + Send + 'static) -> Result<()> {
    use signal_hook::consts::{SIGHUP, SIGQUIT};
    let mut signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM, SIGHUP, SIGQUIT])?;
    std::thread::spawn(move || signals.forever().for_each(|_| heard()));
    register(signal_hook::consts::SIGTSTP, Arc::new(AtomicBool::new(false)))?;
    Ok(())
}

/// Calls this at each such request, on a thread of its own.
#[cfg(not(unix))]
pub(super) fn each_request(heard: impl Fn() + Send + 'static) -> Result<()> {
    let asked = Arc::new(AtomicBool::new(false));
    stop_on_request(std::slice::from_ref(&asked))?;
    std::thread::spawn(move || {
        loop {
            if asked.swap(false, std::sync::atomic::Ordering::SeqCst) {
                heard();
            }
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
    });
    Ok(())
}
