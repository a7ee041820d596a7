//! Head calls as values: what is asked of a head, its gauge and its fault injector, and what they
//! answer. serde writes both as recordings and records keep them, all in SI units.

pub(crate) mod table;

pub(crate) use table::{Access, Row};

use crate::image::Bitmap;
use crate::units::number;
use crate::{
    Description, Exposed, ExposedPage, Fault, Halt, LineCorrection, LineOrder, PageOrder, Proof,
    Reading, SafeState, Status, SteadyOrder, Trim, Turn,
};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::sync::Arc;

/// What is asked. [`Call::row`] tells all that layers decide by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "name", rename_all = "snake_case")]
#[allow(missing_docs, reason = "each is the method of that name of a head, a gauge or an injector")]
pub enum Call {
    Describe,
    Status,
    Spin {
        /// In rad/s.
        speed: f64,
    },
    Halt {
        how: Halt,
    },
    Steer {
        /// In rad; none parks.
        angle: Option<f64>,
    },
    Turns {
        count: u32,
    },
    Trims,
    LoadTrims {
        /// One per facet.
        trims: Vec<Trim>,
    },
    StoreTrims {
        /// What proved them.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        proof: Option<Proof>,
    },
    StoredProof,
    Arm {
        /// Share of full power.
        power: f64,
    },
    Disarm,
    Expose {
        line: LineOrder,
    },
    ExposePage {
        /// Time per dot in s.
        dot_period: f64,
        /// From start of scan to the first dot in s.
        delay: f64,
        /// From line to line in m.
        pitch: f64,
        image: CallImage,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        correction: Option<LineCorrection>,
    },
    DrawSteadily {
        order: SteadyOrder,
    },
    DrawingSteadily,
    Signal {
        signal: String,
    },
    Switch {
        signal: String,
        on: bool,
    },
    Channel {
        channel: String,
    },
    SetChannel {
        channel: String,
        /// In SI.
        value: f64,
    },
    Sleep {
        seconds: f64,
    },
    MakeSafe {
        keep_spinning: bool,
    },
    Measure,
    /// Recordings keep calls about faults as entries of their own.
    #[serde(skip)]
    CheckCanInject {
        fault: String,
    },
    #[serde(skip)]
    Inject {
        fault: String,
        /// From now, in s of head time.
        after: f64,
    },
    #[serde(skip)]
    ClearFaults,
}

impl Call {
    /// Draws a page.
    pub fn expose_page(page: &PageOrder) -> Call {
        let PageOrder { dot_period, delay, pitch, image, correction } = page;
        let (image, correction) = (CallImage::Here(Arc::clone(image)), correction.clone());
        Call::ExposePage {
            dot_period: *dot_period,
            delay: *delay,
            pitch: *pitch,
            image,
            correction,
        }
    }

    /// It is about faults of a simulated head, and asks nothing of the head itself.
    pub fn is_about_faults(&self) -> bool {
        matches!(self, Call::CheckCanInject { .. } | Call::Inject { .. } | Call::ClearFaults)
    }
}

/// The image of a page. A recording keeps its digest only. Images with one digest are equal.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(from = "ImageDigest", into = "ImageDigest")]
pub enum CallImage {
    /// All its dots.
    Here(Arc<Bitmap>),
    /// What a recording keeps of it.
    Digest(ImageDigest),
}

impl CallImage {
    /// Its dots; a fault where only the digest is left.
    pub fn dots(&self) -> Result<&Arc<Bitmap>, Fault> {
        match self {
            CallImage::Here(dots) => Ok(dots),
            CallImage::Digest(_) => {
                Err(Fault::Refused("only the digest of this image was kept".to_string()))
            }
        }
    }

    /// Its width in dots and its height in lines.
    pub fn size(&self) -> (u32, u32) {
        match self {
            CallImage::Here(dots) => (dots.width(), dots.height()),
            CallImage::Digest(digest) => (digest.width, digest.height),
        }
    }
}

impl PartialEq for CallImage {
    fn eq(&self, other: &CallImage) -> bool {
        ImageDigest::from(self.clone()) == ImageDigest::from(other.clone())
    }
}

impl From<ImageDigest> for CallImage {
    fn from(digest: ImageDigest) -> CallImage {
        CallImage::Digest(digest)
    }
}

/// An image by its size and digest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ImageDigest {
    /// Dots along a line.
    pub width: u32,
    /// Lines.
    pub height: u32,
    /// SHA-256 in hexadecimal of its dot words line by line, each as four bytes, the first dot in
    /// the highest bit of the first byte.
    pub sha256: String,
}

impl From<CallImage> for ImageDigest {
    fn from(image: CallImage) -> ImageDigest {
        let dots = match image {
            CallImage::Here(dots) => dots,
            CallImage::Digest(digest) => return digest,
        };
        let mut hash = Sha256::new();
        for word in dots.lines().flatten() {
            hash.update(word.to_be_bytes());
        }
        let sha256 = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        ImageDigest { width: dots.width(), height: dots.height(), sha256 }
    }
}

/// The result of a call.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reply {
    /// The command was taken.
    Done,
    /// The call was refused or failed. Only in what was recorded: a [`crate::Link`] returns it
    /// as an error.
    Fault(Fault),
    /// What the head is.
    Description(Box<Description>),
    /// How the head stands.
    Status(Status),
    /// Turns that were watched.
    Turns(Vec<Turn>),
    /// The trims in force.
    Trims(Vec<Trim>),
    /// What proved the stored trims, where it is kept.
    Proof(Option<Proof>),
    /// A line was drawn.
    Exposed(Exposed),
    /// A page was drawn.
    ExposedPage(ExposedPage),
    /// How the head was left.
    Safe(SafeState),
    /// A line was measured.
    Reading(Reading),
    /// A signal was read.
    Flag(bool),
    /// A channel was read, in SI.
    Value(#[serde(with = "number")] f64),
    /// Why a fault cannot be injected; none where it can.
    #[serde(skip)]
    Refusal(Option<String>),
}

impl Reply {
    /// As a link returns it.
    pub fn into_result(self) -> Result<Reply, Fault> {
        match self {
            Reply::Fault(fault) => Err(fault),
            reply => Ok(reply),
        }
    }
}

impl From<Result<Reply, Fault>> for Reply {
    fn from(result: Result<Reply, Fault>) -> Reply {
        result.unwrap_or_else(Reply::Fault)
    }
}

/// What a typed call returns, taken out of a reply.
pub trait FromReply: Sized {
    /// None where the reply is of another kind.
    fn from_reply(reply: Reply) -> Option<Self>;
}

impl FromReply for () {
    fn from_reply(reply: Reply) -> Option<()> {
        matches!(reply, Reply::Done).then_some(())
    }
}

impl From<()> for Reply {
    fn from((): ()) -> Reply {
        Reply::Done
    }
}

macro_rules! replies {
    ($($kind:ident: $value:ty),*) => {$(
        impl FromReply for $value {
            fn from_reply(reply: Reply) -> Option<$value> {
                match reply {
                    Reply::$kind(value) => Some(value),
                    _ => None,
                }
            }
        }

        impl From<$value> for Reply {
            fn from(value: $value) -> Reply {
                Reply::$kind(value)
            }
        }
    )*};
}

replies!(
    Description: Box<Description>,
    Status: Status,
    Turns: Vec<Turn>,
    Trims: Vec<Trim>,
    Proof: Option<Proof>,
    Exposed: Exposed,
    ExposedPage: ExposedPage,
    Safe: SafeState,
    Reading: Reading,
    Flag: bool,
    Value: f64,
    Refusal: Option<String>
);
