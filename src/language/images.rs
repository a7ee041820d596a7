//! Where the images come from that a script exposes: the station is given them, since it touches no
//! files.

use spintrue_head::Bitmap;
use std::sync::Arc;

/// Gives images by their names.
pub trait Images {
    /// The image of a name as a script says it; or why there is none, with the name.
    fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String>;
}
