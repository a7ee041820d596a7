//! Where the images come from that a script exposes: whoever opens a station says so, for no room
//! behind it touches files.

use crate::image::Bitmap;
use std::sync::Arc;

/// Gives images by their names.
pub trait Images {
    /// The image of a name as a script says it; or why there is none, with the name.
    fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String>;
}
