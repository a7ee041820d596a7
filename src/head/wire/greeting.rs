//! How a link to a head begins: who is there, whether it speaks this protocol, and what it wants to
//! know. Uses the link.

#![allow(clippy::disallowed_methods, reason = "this head owns a real clock")]

use crate::wire::link::{Link, Pulse, Unlinked, WirePlace};
use crate::wire::mnemonic::is;
use crate::wire::reply::{NAN, text};
use crate::wire::token;
use crate::wire::words::{seconds, shown};
use core::ops::RangeInclusive;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// The first number of the protocol that is spoken.
const PROTOCOL: u32 = 1;

/// The second number from which on lines are measured by their marks, and `TESTmarks` is a word.
const MINOR: u32 = 2;

/// Dead-man limits in s that a server may have.
const LIMITS: RangeInclusive<f64> = 0.05..=3600.0;

/// Longest wait in s for an answer that waits for no motion, at least.
pub(crate) const MIN_REPLY: f64 = 1.0;

/// Longest wait until a secret has its turn.
const MAX_TURN: Duration = Duration::from_secs(12);

/// Looks at the clock of a new link to a head whose time passes by itself.
const CLOCK_LOOKS: u32 = 5;

/// Silence after which a server gives up a block that was begun, and a little more.
const BLOCK_PAUSE: Duration = Duration::from_millis(2200);

/// Where the head is, and what else is needed to speak to it.
#[derive(Clone)]
pub struct WireTarget {
    /// The socket or the serial line.
    pub place: WirePlace,
    /// What the server wants to know; never shown.
    pub secret: Option<String>,
    /// Ends waits early.
    pub stop: Arc<AtomicBool>,
    /// Closes the link while a reply is waited for.
    pub cut: Arc<AtomicBool>,
}

/// What stands while there is a link.
pub(crate) struct Linked {
    /// The link.
    pub link: Link,
    /// When the heartbeat is sent.
    pub pulse: Arc<Pulse>,
    /// Control was taken over it.
    pub controls: bool,
    /// Its time passes by calls only.
    pub is_virtual: bool,
    /// Its server speaks an older edition of the protocol.
    pub older: bool,
    /// Seed of a simulated head.
    pub seed: Option<u64>,
    /// Head time in s at a moment here, where it passes by itself.
    pub clock: Option<(Instant, f64)>,
}

/// Makes a link and finds out what is there. If `patient`, it asks twice at a serial line, where
/// something may have to end first.
pub(crate) fn greet(target: &WireTarget, patient: bool) -> Result<Linked, Unlinked> {
    let place = &target.place;
    let pulse = Arc::new(Pulse::default());
    let mut link = Link::open(place, Arc::clone(&pulse))?;
    let most = Duration::from_secs_f64(MIN_REPLY);
    identified(&mut link, target, patient)?;
    let mut ask = |message: &[u8]| asked(&mut link, target, message, most);
    let protocol = ask(b"SYST:PROT?")?;
    let minor = spoken(&protocol).map_err(|why| format!("{place} {why}"))?;
    if let Some(secret) = &target.secret
        && !tell_secret(&mut link, target, secret)?
    {
        return Err(format!("{place} does not take the secret").into());
    }
    let mut ask = |message: &[u8]| asked(&mut link, target, message, most);
    let mut pace = ask(b"CLOC:PACE?;:FAUL?")?;
    if pace.contains("SYSTem:SECRet") {
        tell_token(&mut link, target)?;
        pace = asked(&mut link, target, b"CLOC:PACE?;:FAUL?", most)?;
    }
    let mut ask = |message: &[u8]| asked(&mut link, target, message, most);
    let is_virtual = paced(&pace).map_err(|why| format!("{place} {why}"))?;
    let limit = ask(b"CONT:LIM?")?;
    let limit = limited(&limit).map_err(|why| format!("{place} {why}"))?;
    let seed = ask(b"HEAD:SEED?")?.parse().ok();
    let looked = Instant::now();
    let mut then = f64::NEG_INFINITY;
    for _ in 0..if is_virtual { 1 } else { CLOCK_LOOKS } {
        let time = ask(b"CLOC:TIME?")?;
        let time = timed(&time).map_err(|why| format!("{place} {why}"))?;
        // The reply that took least on its way tells the latest time for this moment.
        then = then.max(time - looked.elapsed().as_secs_f64());
    }
    let beat = link.keep_alive(Duration::from_secs_f64(limit / 4.0));
    beat.map_err(|error| format!("{place}: no thread for its link: {error}"))?;
    let clock = (!is_virtual).then_some((looked, then));
    Ok(Linked { link, pulse, controls: false, is_virtual, seed, clock, older: minor < MINOR })
}

/// Tells a secret; false where it is not taken.
fn tell_secret(link: &mut Link, target: &WireTarget, secret: &str) -> Result<bool, Unlinked> {
    let mut message = b"SYST:SECR ".to_vec();
    message.extend(text(secret));
    message.extend(b";:FAUL?");
    // Where others guess, those who know it wait for their turn.
    Ok(asked(link, target, &message, MAX_TURN)? == "\"none\"")
}

/// Tells the secret that a server of this user on this machine made up for itself.
fn tell_token(link: &mut Link, target: &WireTarget) -> Result<(), Unlinked> {
    let place = &target.place;
    let wants = format!("{place} wants a secret: write ?secret-file=FILE behind the address");
    let WirePlace::Socket(socket) = place else { return Err(wants.into()) };
    let Some(file) = token::file_at(socket) else { return Err(wants.into()) };
    let shown = file.display();
    let why = match token::read(&file) {
        None => format!(
            "{wants}. A server that runs as this user on this machine keeps its own in {shown}, where \
             it is not"
        ),
        Some(secret) if tell_secret(link, target, &secret)? => return Ok(()),
        Some(_) => format!("{wants}. It does not take the one in {shown}"),
    };
    Err(why.into())
}

/// The second number of the edition, which is one that is spoken here.
fn spoken(said: &str) -> Result<u32, Unlinked> {
    let whole = |text: &str| text.parse::<u32>().ok().filter(|_| !text.starts_with('+'));
    let numbers = said.split_once('.').and_then(|(first, then)| whole(first).zip(whole(then)));
    match numbers {
        Some((PROTOCOL, minor)) => Ok(minor),
        Some(_) => Err(format!(
            "speaks edition `{}` of the protocol, and this version knows {PROTOCOL}.x: bring the \
             older one up to date",
            shown(said)
        )
        .into()),
        None => Err(answers("SYST:PROT?", said, "no edition of the protocol, such as 1.1")),
    }
}

/// Time passes by calls only.
fn paced(said: &str) -> Result<bool, Unlinked> {
    let pace = said.split(';').next().unwrap_or_default().trim();
    match (is("VIRTual", pace), is("REAL", pace)) {
        (true, _) => Ok(true),
        (_, true) => Ok(false),
        _ => Err(answers("CLOC:PACE?", said, "neither VIRT nor REAL")),
    }
}

/// The dead-man limit in s.
fn limited(said: &str) -> Result<f64, Unlinked> {
    let limit = said.parse::<f64>().ok().filter(|limit| LIMITS.contains(limit));
    let (low, high) = (seconds(*LIMITS.start()), LIMITS.end());
    let wanted = format!("no limit of {low} to {high} s, after which it makes the head safe");
    limit.ok_or_else(|| answers("CONT:LIM?", said, &wanted))
}

/// Head time in s.
fn timed(said: &str) -> Result<f64, Unlinked> {
    let time = said.parse::<f64>().ok().filter(|time| time.abs() < NAN);
    time.ok_or_else(|| answers("CLOC:TIME?", said, "no head time in s"))
}

fn answers(asked: &str, said: &str, what: &str) -> Unlinked {
    format!("answers {asked} with `{}`, which is {what}: its server is at fault", shown(said))
        .into()
}

/// Sees that an instrument answers. A serial line may hold what others left there.
fn identified(link: &mut Link, target: &WireTarget, patient: bool) -> Result<(), Unlinked> {
    let place = &target.place;
    let most = Duration::from_secs_f64(MIN_REPLY);
    let is_line = matches!(place, WirePlace::Serial(_));
    let mut tries = if is_line && patient { 2 } else { 1 };
    loop {
        tries -= 1;
        let identity = asked(link, target, b"*IDN?", most);
        let is_good = |identity: &String| {
            let first = identity.split(',').next().unwrap_or_default();
            identity.split(',').count() == 4 && !(is_line && first.parse::<f64>().is_ok())
        };
        if identity.as_ref().is_ok_and(is_good) {
            break;
        }
        if tries == 0 || target.cut.load(Ordering::SeqCst) {
            let identity = identity?;
            let shown = shown(&identity);
            return Err(match identity.starts_with('-') {
                true => format!("{place} refuses: {shown}"),
                false => format!("what answers at {place} is no instrument: `{shown}`"),
            }
            .into());
        }
        // A client before may have been cut off inside a block, which silence ends.
        thread::sleep(BLOCK_PAUSE);
        link.anew().map_err(|error| format!("{place}: {error}"))?;
    }
    if is_line {
        // One that is older does not know this, and needs no more than it did.
        asked(link, target, b"SYST:BEG;:FAUL?", most)?;
    }
    Ok(())
}

/// The reply to a message as text.
fn asked(
    link: &mut Link,
    target: &WireTarget,
    message: &[u8],
    most: Duration,
) -> Result<String, Unlinked> {
    let cut = || target.cut.load(Ordering::SeqCst);
    let reply = link.ask(message, most, &cut).map_err(|why| format!("{}: {why}", target.place))?;
    Ok(String::from_utf8_lossy(&reply).trim().to_string())
}
