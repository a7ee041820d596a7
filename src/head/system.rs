//! What the operating system says of files, sockets and lines, in plain words. Uses nothing.

use std::io::{Error, ErrorKind};

/// Why something failed, as a part of a sentence: neither numbers of the system nor its jargon.
pub fn io_reason(error: &Error) -> String {
    let plain = match error.kind() {
        ErrorKind::StorageFull => "the disk is full: make room",
        ErrorKind::QuotaExceeded => "no more may be kept there: make room",
        ErrorKind::FileTooLarge => "the file may not grow any more: make room",
        ErrorKind::PermissionDenied => "that is not permitted",
        ErrorKind::ReadOnlyFilesystem => "that disk may only be read",
        ErrorKind::NotFound => "it is not there",
        ErrorKind::AlreadyExists => "it is there already",
        ErrorKind::NotADirectory => "a file stands where a folder should be",
        ErrorKind::IsADirectory => "it is a folder",
        ErrorKind::InvalidFilename => "no file can have this name: choose a shorter one",
        ErrorKind::ConnectionRefused => "nothing listens there",
        ErrorKind::ConnectionReset | ErrorKind::ConnectionAborted | ErrorKind::BrokenPipe => {
            "the other end hung up"
        }
        ErrorKind::TimedOut => "no answer came in time",
        ErrorKind::AddrInUse => "another program listens there already",
        ErrorKind::AddrNotAvailable => "this machine has no such address",
        ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => "no way leads there",
        ErrorKind::UnexpectedEof => "it ends too early",
        _ => return without_number(&error.to_string()),
    };
    plain.to_string()
}

/// Nothing can be read or written for the moment, and that is all.
#[cfg(feature = "wire")]
pub(crate) fn is_pause(error: &Error) -> bool {
    matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut)
}

/// The system's own words for the rest, without its number.
fn without_number(text: &str) -> String {
    let text = text.split(" (os error ").next().unwrap_or(text).trim();
    if text == "Not a typewriter" || text == "Inappropriate ioctl for device" {
        return "it is no serial line".to_string();
    }
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_lowercase().to_string()).unwrap_or_default();
    first + letters.as_str()
}

#[cfg(test)]
mod tests {
    use super::io_reason;
    use std::io::{Error, ErrorKind};

    /// Whatever number the system gives, none is shown, nor what only its makers understand.
    #[test]
    fn no_number_of_the_system_is_shown() {
        for number in 1..=133 {
            let said = io_reason(&Error::from_raw_os_error(number));
            assert!(!said.contains("os error") && !said.contains("typewriter"), "{said}");
            assert!(!said.contains("ioctl") && !said.is_empty(), "{number}: {said}");
        }
        assert_eq!(io_reason(&Error::other("Not a typewriter")), "it is no serial line");
        assert_eq!(io_reason(&Error::from(ErrorKind::StorageFull)), "the disk is full: make room");
    }
}
