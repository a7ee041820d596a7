//! Messages in and out of byte streams: the base protocol of LSP (a `Content-Length` header, a
//! blank line, JSON-RPC 2.0 in UTF-8). A malformed message is reported and never ends the stream.

use lsp_server::{ErrorCode, Message, RequestId};
use serde_json::{Value, json};
use std::io::{self, BufRead, Read, Write};

/// Largest message that is read, in bytes.
pub(crate) const MAX_MESSAGE: u64 = 64 * 1024 * 1024;

/// Longest message that is skipped for being too large, in bytes; a longer length is malformed.
const MAX_SKIPPED: u64 = 1024 * 1024 * 1024;

/// Longest header line, in bytes.
const MAX_HEADER: u64 = 4096;

/// Something that arrived.
#[derive(Debug)]
pub(crate) enum Incoming {
    /// A message.
    Message(Message),
    /// No message: the error to answer, and the id to answer to, null where unknown.
    Malformed {
        /// Which error.
        code: ErrorCode,
        /// What is wrong.
        message: String,
        /// Which request to answer.
        id: Value,
    },
}

impl Incoming {
    fn malformed(code: ErrorCode, message: impl Into<String>) -> Incoming {
        Incoming::Malformed { code, message: message.into(), id: Value::Null }
    }
}

/// Reads the next message; none at the end of the stream.
///
/// # Errors
/// Where the stream itself fails.
pub(crate) fn read(input: &mut dyn BufRead) -> io::Result<Option<Incoming>> {
    let mut length = None;
    let mut wrong = None;
    loop {
        let mut line = Vec::new();
        if (&mut *input).take(MAX_HEADER).read_until(b'\n', &mut line)? == 0 {
            return Ok(None);
        }
        let text = String::from_utf8_lossy(&line);
        let text = text.trim();
        if text.is_empty() {
            if length.is_none() && wrong.is_none() {
                // Blank lines between messages do no harm.
                continue;
            }
            break;
        }
        match text.split_once(':') {
            Some((name, value)) if name.trim().eq_ignore_ascii_case("content-length") => {
                match value.trim().parse::<u64>() {
                    Ok(value) if value <= MAX_SKIPPED => length = Some(value),
                    _ => wrong = Some(format!("`{}` is no Content-Length", value.trim())),
                }
            }
            Some((name, _)) if name.trim().eq_ignore_ascii_case("content-type") => {}
            _ => {
                wrong.get_or_insert_with(|| "a header line is malformed".to_string());
            }
        }
    }
    let Some(length) = length else {
        let what = wrong.unwrap_or_else(|| "there is no Content-Length".to_string());
        return Ok(Some(Incoming::malformed(ErrorCode::ParseError, what)));
    };
    if length > MAX_MESSAGE {
        if io::copy(&mut input.take(length), &mut io::sink())? < length {
            return Ok(None);
        }
        let what = format!("the message is larger than {MAX_MESSAGE} bytes");
        return Ok(Some(Incoming::malformed(ErrorCode::InvalidRequest, what)));
    }
    let mut body = Vec::new();
    if (input.take(length).read_to_end(&mut body)? as u64) < length {
        return Ok(None);
    }
    Ok(Some(message(&body)))
}

/// A message out of its JSON text.
pub(crate) fn message(body: &[u8]) -> Incoming {
    let value: Value = match serde_json::from_slice(body) {
        Ok(value) => value,
        Err(error) => {
            return Incoming::malformed(ErrorCode::ParseError, format!("not JSON: {error}"));
        }
    };
    let id = value.get("id").cloned().unwrap_or(Value::Null);
    let is_id = id.is_null() || serde_json::from_value::<RequestId>(id.clone()).is_ok();
    let wrong = |message: &str| Incoming::Malformed {
        code: ErrorCode::InvalidRequest,
        message: message.to_string(),
        id: if id.is_string() || id.is_number() { id.clone() } else { Value::Null },
    };
    if value.is_array() {
        return wrong("batches are not part of the protocol");
    }
    if !value.is_object() {
        return wrong("a message is a JSON object");
    }
    if !is_id {
        return wrong("the id of a request is a whole number of 32 bits or a string");
    }
    if value.get("method").is_some_and(|method| !method.is_string()) {
        return wrong("the method of a message is a string");
    }
    match serde_json::from_value(value) {
        Ok(message) => Incoming::Message(message),
        Err(_) => wrong("neither a request nor a notification nor a response"),
    }
}

/// Writes a message.
///
/// # Errors
/// Where the stream fails.
pub(crate) fn write(output: &mut dyn Write, message: Message) -> io::Result<()> {
    message.write(&mut Whole(output))
}

/// Answers something malformed.
///
/// # Errors
/// Where the stream fails.
pub(crate) fn refuse(
    output: &mut dyn Write,
    id: &Value,
    code: ErrorCode,
    why: &str,
) -> io::Result<()> {
    let error = json!({"code": code as i32, "message": why});
    let text = json!({"jsonrpc": "2.0", "id": id, "error": error}).to_string();
    write!(output, "Content-Length: {}\r\n\r\n{text}", text.len())?;
    output.flush()
}

/// The library wants a sized writer.
struct Whole<'a>(&'a mut dyn Write);

impl Write for Whole<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::{Incoming, read};

    fn all(mut bytes: &[u8]) -> Vec<String> {
        let mut seen = Vec::new();
        while let Some(incoming) = read(&mut bytes).unwrap() {
            seen.push(match incoming {
                Incoming::Message(message) => format!("{message:?}").chars().take(7).collect(),
                Incoming::Malformed { code, id, .. } => format!("{} {id}", code as i32),
            });
        }
        seen
    }

    #[test]
    fn a_malformed_message_does_not_end_the_stream() {
        let text = "Content-Length: 1\r\n\r\n{\
            Content-Length: 2\r\n\r\n[]\
            content-length:39\nContent-Type: x\n\n{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"who\"}\
            Content-Length: -4\r\n\r\n\
            nonsense\r\n\r\n\
            Content-Length: 22\r\n\r\n{\"id\":1.5,\"method\":\"\"}\
            Content-Length: 12\r\n\r\n{\"method\":4}\
            Content-Length: 14\r\n\r\n{\"method\":\"x\"}\
            Content-Length: 99\r\n\r\n{}";
        let wanted = [
            "-32700 null",
            "-32600 null",
            "Request",
            "-32700 null",
            "-32700 null",
            "-32600 1.5",
            "-32600 null",
            "Notific",
        ];
        assert_eq!(all(text.as_bytes()), wanted);
    }

    #[test]
    fn what_is_too_large_is_skipped() {
        let mut bytes = b"Content-Length: 67108865\r\n\r\n".to_vec();
        bytes.resize(bytes.len() + 67_108_865, b' ');
        bytes.extend(b"Content-Length: 14\r\n\r\n{\"method\":\"x\"}");
        assert_eq!(all(&bytes), ["-32600 null", "Notific"]);
    }
}
