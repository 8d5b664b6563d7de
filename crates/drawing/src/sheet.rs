//! The sheet: a drawing laid out once, in millimetres of paper, before anybody decides how to show it.
//!
//! Contract: every coordinate is finite, every text has its box in [`Label::bounds`], part ids are unique and stay the same
//! for the same system file, so that a page can find a part again and move it by its [`Binding`]s.

/// A point on the paper, mm, y downwards.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Point {
    /// mm from the left edge.
    pub x: f64,
    /// mm from the upper edge.
    pub y: f64,
}

impl Point {
    /// A point at (x, y) mm.
    pub fn new(x: f64, y: f64) -> Self {
        Point { x, y }
    }
}

/// An upright box on the paper, mm.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Rect {
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Width.
    pub w: f64,
    /// Height.
    pub h: f64,
}

impl Rect {
    /// A box from its left upper corner and size.
    pub fn new(x: f64, y: f64, w: f64, h: f64) -> Self {
        Rect { x, y, w, h }
    }
    /// The box that two corners span, in any order.
    pub fn span(a: Point, b: Point) -> Self {
        Rect::new(a.x.min(b.x), a.y.min(b.y), (a.x - b.x).abs(), (a.y - b.y).abs())
    }
    /// Right edge.
    pub fn right(&self) -> f64 {
        self.x + self.w
    }
    /// Lower edge.
    pub fn bottom(&self) -> f64 {
        self.y + self.h
    }
    /// Middle.
    pub fn centre(&self) -> Point {
        Point::new(self.x + self.w / 2.0, self.y + self.h / 2.0)
    }
    /// Whether the insides share a point; touching edges do not count.
    pub fn overlaps(&self, other: &Rect) -> bool {
        const TOUCH: f64 = 1e-6;
        self.x + TOUCH < other.right()
            && other.x + TOUCH < self.right()
            && self.y + TOUCH < other.bottom()
            && other.y + TOUCH < self.bottom()
    }
    /// Whether `inner` lies inside, edges included.
    pub fn contains(&self, inner: &Rect) -> bool {
        const TOUCH: f64 = 1e-6;
        inner.x >= self.x - TOUCH
            && inner.y >= self.y - TOUCH
            && inner.right() <= self.right() + TOUCH
            && inner.bottom() <= self.bottom() + TOUCH
    }
    /// Larger by `by` on all sides.
    #[must_use]
    pub fn grown(&self, by: f64) -> Rect {
        Rect::new(self.x - by, self.y - by, self.w + 2.0 * by, self.h + 2.0 * by)
    }
    /// The smallest box around both.
    #[must_use]
    pub fn union(&self, other: &Rect) -> Rect {
        let (x, y) = (self.x.min(other.x), self.y.min(other.y));
        Rect::new(x, y, self.right().max(other.right()) - x, self.bottom().max(other.bottom()) - y)
    }
    /// Whether the straight line from `a` to `b` passes through the inside (Liang-Barsky clipping).
    pub fn crossed_by(&self, a: Point, b: Point) -> bool {
        let (dx, dy) = (b.x - a.x, b.y - a.y);
        let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
        for (p, q) in
            [(-dx, a.x - self.x), (dx, self.right() - a.x), (-dy, a.y - self.y), (dy, self.bottom() - a.y)]
        {
            if p.abs() < 1e-12 {
                if q <= 0.0 {
                    return false;
                }
            } else if p < 0.0 {
                enter = enter.max(q / p);
            } else {
                leave = leave.min(q / p);
            }
        }
        enter + 1e-9 < leave
    }
}

/// Kind of line or surface; the rendering decides how it looks in each theme.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Ink {
    /// Edge of something cut or seen.
    Outline,
    /// Thin edge.
    Thin,
    /// Hidden or behind: short dashes.
    Hidden,
    /// Not part of the water system (stand, hood): long dash and two dots.
    Phantom,
    /// Cut glass or acrylic: hatched.
    Glass,
    /// Ground below the floor line: hatched the other way.
    Ground,
    /// Rock, sand and whatever displaces water: dotted.
    Rock,
    /// Body of water.
    Water,
    /// Body of fresh water or limewater, lighter.
    FreshWater,
    /// Water line of the n-th set (dash pattern by n).
    WaterLine(u8),
    /// Something hot.
    Heat,
    /// Filled in ink.
    Solid,
    /// Filled with paper, edged in ink.
    Paper,
    /// Filled with paper, no edge: hides what is behind.
    Mask,
    /// Dimension and extension lines.
    Dimension,
    /// Leader of a label.
    Leader,
    /// Frame and rules of the title block.
    Frame,
    /// A warning sign.
    Alarm,
}

/// One drawn element.
#[derive(Clone, PartialEq, Debug)]
pub enum Shape {
    /// Open line through the points.
    Line {
        /// Two or more.
        points: Vec<Point>,
        /// How.
        ink: Ink,
    },
    /// Closed surface.
    Area {
        /// Three or more.
        points: Vec<Point>,
        /// How.
        ink: Ink,
    },
    /// Full circle.
    Circle {
        /// Middle.
        centre: Point,
        /// mm.
        radius: f64,
        /// How.
        ink: Ink,
    },
    /// Pipe of a given outside width along its middle line.
    Pipe {
        /// Two or more.
        points: Vec<Point>,
        /// mm.
        width: f64,
    },
}

/// Order of drawing, from the back.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
#[allow(missing_docs)]
pub enum Layer {
    Room,
    Water,
    Inner,
    Glass,
    Pipe,
    Gear,
    Level,
    Dimension,
    Frame,
}

/// What a live value changes on a part.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Property {
    /// The y of the upper edge: `zero + per_unit * value` mm on the paper.
    Top,
    /// On or off, 0..1.
    Running,
    /// Flow along the part's line, positive in its drawn direction.
    Flow,
    /// A number to show beside the part.
    Reading,
}

/// How a part follows a value.
#[derive(Clone, PartialEq, Debug)]
pub struct Binding {
    /// Name of the value, e.g. `display.level`.
    pub value: String,
    /// Unit the value must come in, e.g. `m`.
    pub unit: &'static str,
    /// What it changes.
    pub property: Property,
    /// mm on the paper at value 0 (only [`Property::Top`]).
    pub zero: f64,
    /// mm on the paper for one unit (only [`Property::Top`]).
    pub per_unit: f64,
}

/// One thing on the sheet.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// Stable and unique: `vessel.display`, `water.display.running`.
    pub id: String,
    /// Name as in the file, or what it is.
    pub name: String,
    /// Order of drawing.
    pub layer: Layer,
    /// Where labels, marks and values attach.
    pub anchor: Point,
    /// What is drawn.
    pub shapes: Vec<Shape>,
    /// Live values.
    pub bindings: Vec<Binding>,
}

/// Where a line of text starts from in its box.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub enum Align {
    Left,
    Middle,
    Right,
}

/// One line of text.
#[derive(Clone, PartialEq, Debug)]
pub struct TextLine {
    /// Plain text; the rendering escapes it.
    pub text: String,
    /// Height of the font, mm.
    pub size: f64,
    /// Heavier.
    pub bold: bool,
}

/// Text with its place.
#[derive(Clone, PartialEq, Debug)]
pub struct Label {
    /// Part that it speaks of (its id), or the block that it belongs to.
    pub part: String,
    /// Key of the text, for translation: `name`, `float-heights`, `title-scale`.
    pub key: &'static str,
    /// From the top.
    pub lines: Vec<TextLine>,
    /// Box that holds the text whatever common sans-serif font is used.
    pub bounds: Rect,
    /// Alignment inside the box.
    pub align: Align,
    /// Turned a quarter to the left, reading upwards.
    pub turned: bool,
    /// Thin line from the text to its part; empty when the text stands beside it.
    pub leader: Vec<Point>,
}

/// A laid-out drawing.
#[derive(Clone, PartialEq, Debug)]
pub struct Sheet {
    /// Width and height, mm.
    pub size: [f64; 2],
    /// The n of scale 1:n.
    pub scale: f64,
    /// One line, for the reader of the page's structure.
    pub title: String,
    /// The drawing in words, for who cannot see it.
    pub description: String,
    /// In order of drawing.
    pub parts: Vec<Part>,
    /// All texts.
    pub labels: Vec<Label>,
}

impl Sheet {
    /// The part with this id.
    pub fn part(&self, id: &str) -> Option<&Part> {
        self.parts.iter().find(|p| p.id == id)
    }
    /// All live values that the sheet can show, with the part that follows each.
    pub fn bindings(&self) -> impl Iterator<Item = (&Part, &Binding)> {
        self.parts.iter().flat_map(|p| p.bindings.iter().map(move |b| (p, b)))
    }
}
