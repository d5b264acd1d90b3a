//! What the drawings share: a frame with two straight scales, ticks, text. SVG by hand; colours are in `drawing.css`.

use maud::{Markup, html};

/// One decimal place is a tenth of a pixel: enough.
pub fn px(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}

/// A drawing area inside a picture, with straight scales.
#[derive(Clone, Copy, Debug)]
pub struct Area {
    /// Whole width, px.
    pub width: f64,
    /// Whole height, px.
    pub height: f64,
    /// Left edge of the drawing area.
    pub left: f64,
    /// Right edge.
    pub right: f64,
    /// Upper edge.
    pub top: f64,
    /// Lower edge.
    pub bottom: f64,
    /// Values at the left and right edge.
    pub x: (f64, f64),
    /// Values at the lower and upper edge.
    pub y: (f64, f64),
}

impl Area {
    /// Where a value lies across.
    pub fn at_x(&self, value: f64) -> f64 {
        self.left + (value - self.x.0) / (self.x.1 - self.x.0) * (self.right - self.left)
    }

    /// Where a value lies upright.
    pub fn at_y(&self, value: f64) -> f64 {
        self.bottom - (value - self.y.0) / (self.y.1 - self.y.0) * (self.bottom - self.top)
    }

    /// Path data through points given as values.
    pub fn path(&self, points: &[(f64, f64)]) -> String {
        let mut out = String::with_capacity(points.len() * 14);
        for (i, (x, y)) in points.iter().enumerate() {
            out.push(if i == 0 { 'M' } else { 'L' });
            out.push_str(&px(self.at_x(*x)));
            out.push(' ');
            out.push_str(&px(self.at_y(*y)));
        }
        out
    }

    /// A rectangle given by the values at its corners.
    pub fn rect(&self, x: (f64, f64), y: (f64, f64), class: &str, fill: Option<&str>) -> Markup {
        let (left, right) = (self.at_x(x.0), self.at_x(x.1));
        let (low, high) = (self.at_y(y.0), self.at_y(y.1));
        html! {
            rect class=(class) fill=[fill] x=(px(left)) y=(px(high)) width=(px((right - left).max(0.0)))
                height=(px((low - high).max(0.0))) {}
        }
    }

    /// A straight line given by values.
    pub fn line(&self, from: (f64, f64), to: (f64, f64), class: &str) -> Markup {
        html! {
            line class=(class) x1=(px(self.at_x(from.0))) y1=(px(self.at_y(from.1))) x2=(px(self.at_x(to.0)))
                y2=(px(self.at_y(to.1))) {}
        }
    }

    /// The frame with its ticks and the names of its axes.
    pub fn frame(&self, across: &[(f64, String)], upright: &[(f64, String)], names: (&str, &str)) -> Markup {
        html! {
            @for (value, label) in upright {
                (self.line((self.x.0, *value), (self.x.1, *value), "grid"))
                (text(self.left - 6.0, self.at_y(*value) + 4.0, "tick end", label))
            }
            @for (value, label) in across {
                (self.line((*value, self.y.0), (*value, self.y.1), "grid"))
                (text(self.at_x(*value), self.bottom + 16.0, "tick middle", label))
            }
            (self.rect(self.x, self.y, "frame", Some("none")))
            (text(self.right, self.bottom + 34.0, "axis end", names.0))
            (text(self.left, self.top - 10.0, "axis", names.1))
        }
    }
}

/// A text at a place in px. `class` holds `middle` or `end` where it does not begin there.
pub fn text(x: f64, y: f64, class: &str, words: &str) -> Markup {
    html! { text class=(class) x=(px(x)) y=(px(y)) { (words) } }
}

/// A whole picture. `name` is unique on the view; `title` is read out.
pub fn picture(area: &Area, name: &str, class: &str, title: &str, body: Markup) -> Markup {
    html! {
        svg class=(class) role="img" aria-labelledby=(format!("{name}-t"))
            viewBox=(format!("0 0 {} {}", px(area.width), px(area.height))) {
            title id=(format!("{name}-t")) { (title) }
            defs {
                pattern id=(format!("{name}-h")) class="hatch" width="6" height="6" patternUnits="userSpaceOnUse"
                    patternTransform="rotate(45)" { line x1="0" y1="0" x2="0" y2="6" {} }
            }
            (body)
        }
    }
}

/// Round steps (1, 2 or 5 times a power of ten) that divide 0 to `top` into at most `most` parts.
pub fn steps(top: f64, most: usize) -> Vec<f64> {
    if !(top.is_finite() && top > 0.0) || most == 0 {
        return vec![0.0];
    }
    let least = top / most as f64;
    let power = 10f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].iter().map(|m| m * power).find(|s| *s >= least * (1.0 - 1e-9)).unwrap_or(least);
    (0..=most + 1).map(|i| i as f64 * step).take_while(|v| *v <= top * (1.0 + 1e-9)).collect()
}

/// The two widths every picture is drawn at, so that its writing keeps its size: class, width in px.
pub const WIDTHS: [(&str, f64); 2] = [("wide", 720.0), ("narrow", 350.0)];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_reach_no_further_than_the_top() {
        assert_eq!(steps(1600.0, 5), [0.0, 500.0, 1000.0, 1500.0]);
        assert_eq!(steps(1.2, 6), [0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0, 1.2000000000000002]);
        assert_eq!(steps(0.0, 5), [0.0]);
        assert_eq!(steps(f64::NAN, 5), [0.0]);
    }

    #[test]
    fn pixels_are_short() {
        assert_eq!(px(12.0), "12");
        assert_eq!(px(12.34), "12.3");
    }
}
