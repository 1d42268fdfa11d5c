//! SVG to PNG, with one embedded font, so that it looks the same on every machine.

use resvg::{tiny_skia, usvg};
use std::sync::Arc;

/// DejaVu Sans, cut down to the signs used here; its licence stands beside it.
const FONT: &[u8] = include_bytes!("font/DejaVuSans-subset.ttf");

/// A picture could not be rendered.
#[derive(Debug, thiserror::Error)]
#[error("the picture can't be rendered: {0}")]
pub struct RasterError(String);

/// Renders an SVG at `scale` pixels per unit.
///
/// # Errors
/// Where the SVG is not valid or too large.
pub fn png(svg: &str, scale: f32) -> Result<Vec<u8>, RasterError> {
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(FONT.to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    let options = usvg::Options {
        fontdb: Arc::new(fonts),
        font_family: "DejaVu Sans".into(),
        ..usvg::Options::default()
    };
    let fail = |text: String| RasterError(text);
    let tree = usvg::Tree::from_str(svg, &options).map_err(|e| fail(e.to_string()))?;
    let size = tree.size().to_int_size().scale_by(scale).ok_or_else(|| fail("no size".into()))?;
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height())
        .ok_or_else(|| fail("too large".into()))?;
    pixels.fill(tiny_skia::Color::WHITE);
    resvg::render(&tree, tiny_skia::Transform::from_scale(scale, scale), &mut pixels.as_mut());
    pixels.encode_png().map_err(|e| fail(e.to_string()))
}
