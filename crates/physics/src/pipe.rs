//! Pipes: friction, head loss with fittings, flow for a head, and the two-term resistance the simulator uses.
//!
//! Head loss is in metres of the flowing water, so only its kinematic viscosity enters (about 9.4e-7 m²/s for seawater at
//! 25 °C); times density and gravity it is a pressure.

use crate::fast::Resistance;
use crate::solve::{increasing_root, root};
use crate::{GRAVITY, circle_area};

/// Roughness of smooth PVC, m (common textbook value, from memory).
pub const SMOOTH_PVC_ROUGHNESS: f64 = 1.5e-6;

/// Reynolds number below which the flow is taken as laminar when Colebrook's equation is asked for.
///
/// 2040: the onset of sustained turbulence, Avila et al., Science 333, 192-196, 2011.
pub const LAMINAR_LIMIT: f64 = 2040.0;

/// Even places over its range at which [`Pipe::fit`] looks for its two points.
pub const FIT_PLACES: u32 = 32;

/// Least linear term of a fit, as a share of the head loss over flow at the low end of the range.
const LEAST_LINEAR_SHARE: f64 = 1e-6;

/// Which Darcy friction factor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Friction {
    /// `64/Re` below [`LAMINAR_LIMIT`], Colebrook 1939 above, solved to rounding. It jumps up at the limit.
    Colebrook,
    /// Churchill 1977, smooth over all Reynolds numbers; up to 3 % from Colebrook. Prefer it for inverses.
    Churchill,
}

/// Reynolds number `v D / nu` of a flow (m³/s, either sign) in a round pipe (diameter in m, kinematic viscosity in m²/s).
pub fn reynolds(flow: f64, diameter: f64, kinematic_viscosity: f64) -> f64 {
    flow.abs() * diameter / (circle_area(diameter) * kinematic_viscosity)
}

/// Darcy friction factor for a Reynolds number and a relative roughness; infinite at rest.
pub fn friction_factor(law: Friction, reynolds: f64, relative_roughness: f64) -> f64 {
    match law {
        Friction::Colebrook if reynolds >= LAMINAR_LIMIT => colebrook(reynolds, relative_roughness),
        Friction::Colebrook => 64.0 / reynolds,
        Friction::Churchill => churchill(reynolds, relative_roughness),
    }
}

/// Colebrook 1939 (J. Inst. Civ. Eng. 11, 133-156): `1/sqrt(f) = -2 log10(e/3.7 + 2.51/(Re sqrt(f)))`. Re 4000 to 1e8.
fn colebrook(reynolds: f64, relative_roughness: f64) -> f64 {
    let rough = relative_roughness.max(0.0) / 3.7;
    let smooth = 2.51 / reynolds;
    let per_decade = 2.0 / core::f64::consts::LN_10;
    // The residual in x = 1/sqrt(f) is concave and rising, so Newton from below rises to the root without overshoot.
    let mut x = 1.0;
    for _ in 0..20 {
        let inside = rough + smooth * x;
        let residual = x + 2.0 * libm::log10(inside);
        let step = residual / (1.0 + per_decade * smooth / inside);
        x -= step;
        if step.abs() < 1e-14 * x.abs() {
            break;
        }
    }
    1.0 / (x * x)
}

/// Churchill 1977 (Chem. Eng. 84(24), 91-92):
/// `f = 8 ((8/Re)^12 + (A + B)^-1.5)^(1/12)`, `A = (2.457 ln(1/((7/Re)^0.9 + 0.27 e)))^16`, `B = (37530/Re)^16`.
fn churchill(reynolds: f64, relative_roughness: f64) -> f64 {
    // The powers would overflow long before the turbulent terms count.
    if reynolds < 1.0 {
        return 64.0 / reynolds;
    }
    let square = |x: f64| x * x;
    let sixteenth_power = |x: f64| square(square(square(square(x))));
    let inside = libm::pow(7.0 / reynolds, 0.9) + 0.27 * relative_roughness.max(0.0);
    let a = sixteenth_power(2.457 * -libm::log(inside));
    let b = sixteenth_power(37_530.0 / reynolds);
    let sum = a + b;
    let laminar = square(8.0 / reynolds);
    let laminar = laminar * square(laminar);
    let twelfth = laminar * laminar + 1.0 / (sum * sum.sqrt());
    8.0 * libm::cbrt(twelfth.sqrt().sqrt())
}

/// A run of round pipe with its fittings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pipe {
    /// Inside diameter, m.
    pub diameter: f64,
    /// Length, m.
    pub length: f64,
    /// Roughness of the wall, m.
    pub roughness: f64,
    /// Sum of the minor-loss coefficients, inlet and exit included (see [`Fitting`]).
    pub minor_loss: f64,
}

impl Pipe {
    /// Mean speed at a flow, m/s.
    pub fn speed(&self, flow: f64) -> f64 {
        flow / circle_area(self.diameter)
    }

    /// Water held, m³.
    pub fn volume(&self) -> f64 {
        circle_area(self.diameter) * self.length
    }

    /// Head lost at a flow (m³/s), m: `h = (f L/D + K) v²/2g` (Darcy-Weisbach); odd in the flow.
    pub fn head_loss(&self, flow: f64, kinematic_viscosity: f64, law: Friction) -> f64 {
        let speed = self.speed(flow);
        let reynolds = reynolds(flow, self.diameter, kinematic_viscosity);
        let minor = self.minor_loss * speed * speed.abs() / (2.0 * GRAVITY);
        // Hagen-Poiseuille written without f, which is infinite at rest.
        let wall = if reynolds < 1.0 {
            32.0 * kinematic_viscosity * self.length * speed / (GRAVITY * self.diameter * self.diameter)
        } else {
            friction_factor(law, reynolds, self.roughness / self.diameter) * self.length / self.diameter
                * speed
                * speed.abs()
                / (2.0 * GRAVITY)
        };
        wall + minor
    }

    /// Flow that loses exactly `head` (m, either sign), m³/s: the inverse of [`Pipe::head_loss`] to rounding.
    ///
    /// With the whole drop from surface to outlet as head, and the exit in the minor losses, this is a full siphon or a
    /// drain running full. Where Colebrook's factor jumps, the flow at the jump.
    pub fn flow_for_head(&self, head: f64, kinematic_viscosity: f64, law: Friction) -> f64 {
        if head == 0.0 || !head.is_finite() || self.diameter <= 0.0 {
            return 0.0;
        }
        let target = head.abs();
        // The frictionless speed with one velocity head is a fair first scale.
        let guess = circle_area(self.diameter) * (2.0 * GRAVITY * target).sqrt();
        let size = increasing_root(guess, |flow| self.head_loss(flow, kinematic_viscosity, law) - target);
        if head < 0.0 { -size } else { size }
    }

    /// The resistance `h = a Q + b Q²` closest to Churchill's head loss over a range of flows (m³/s).
    ///
    /// Interpolation of `h/Q` at the two of [`FIT_PLACES`] even places whose largest relative error is least. That error is
    /// returned in [`Fit::largest_error`], measured four times as finely. For tank plumbing in turbulent flow with its
    /// fittings it is below 1 % over a range of 1:4 and below 3 % over 1:10; without any minor loss 2 and 6 %; nil in
    /// laminar flow; 10 to 60 % over a range that holds the transition. Fit the range that is used.
    pub fn fit(&self, least_flow: f64, most_flow: f64, kinematic_viscosity: f64) -> Fit {
        let least = least_flow.abs().max(1e-12);
        let most = most_flow.abs().max(least * (1.0 + 1e-6));
        let exact: Vec<(f64, f64)> = (0..=4 * FIT_PLACES)
            .map(|i| {
                let flow = least + (most - least) * f64::from(i) / f64::from(4 * FIT_PLACES);
                (flow, self.head_loss(flow, kinematic_viscosity, Friction::Churchill) / flow)
            })
            .collect();
        let coarse: Vec<(f64, f64)> = exact.iter().copied().step_by(4).collect();
        // A positive linear term keeps the flow's slope finite at rest.
        let least_linear = LEAST_LINEAR_SHARE * coarse[0].1;
        let mut best = Resistance { linear: exact[exact.len() - 1].1, quadratic: 0.0 };
        let mut best_error = f64::INFINITY;
        for (i, &(low_flow, low)) in coarse.iter().enumerate() {
            for &(high_flow, high) in &coarse[i + 1..] {
                let quadratic = ((high - low) / (high_flow - low_flow)).max(0.0);
                let linear = (high - quadratic * high_flow).max(least_linear);
                let trial = Resistance { linear, quadratic };
                let error = largest_error(trial, &coarse);
                if error < best_error {
                    (best, best_error) = (trial, error);
                }
            }
        }
        Fit { resistance: best, largest_error: largest_error(best, &exact) }
    }
}

/// Largest relative error of a resistance at flows with their exact head loss over flow.
fn largest_error(resistance: Resistance, exact: &[(f64, f64)]) -> f64 {
    exact
        .iter()
        .map(|&(flow, loss)| ((resistance.linear + resistance.quadratic * flow) / loss - 1.0).abs())
        .fold(0.0, f64::max)
}

/// A fitted resistance and how far it strays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// The resistance.
    pub resistance: Resistance,
    /// Largest relative error of its head loss over the range of the fit. The error of the flow for a head is about half.
    pub largest_error: f64,
}

impl Fit {
    /// The same curve scaled so that it is exact at one flow, such as the design flow; the error elsewhere at most doubles.
    pub fn passing_through(self, pipe: &Pipe, flow: f64, kinematic_viscosity: f64) -> Resistance {
        let fitted = self.resistance.head_loss(flow);
        if fitted == 0.0 {
            return self.resistance;
        }
        let scale = pipe.head_loss(flow, kinematic_viscosity, Friction::Churchill) / fitted;
        Resistance { linear: self.resistance.linear * scale, quadratic: self.resistance.quadratic * scale }
    }
}

/// A fitting, for its minor-loss coefficient K on the velocity head of its own bore.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fitting {
    /// Standard 90° elbow, 30 f_T.
    Elbow90,
    /// Standard 45° elbow, 16 f_T.
    Elbow45,
    /// Tee, flow through the branch, 60 f_T.
    TeeBranch,
    /// Tee, flow straight through, 20 f_T.
    TeeRun,
    /// Full-bore ball valve, open, 3 f_T.
    BallValve,
    /// Swing check valve of the angled pattern, open, 100 f_T.
    SwingCheckValve,
    /// Flush sharp-edged inlet, 0.5.
    SharpInlet,
    /// Flush sharp-edged inlet by Rennels, 0.57.
    SharpInletRennels,
    /// Pipe that reaches into the vessel, 0.78.
    ProjectingInlet,
    /// Outlet into standing water, 1.0.
    Exit,
}

impl Fitting {
    /// K of the fitting in a pipe of the given inside diameter, m.
    ///
    /// Crane Technical Paper 410 multipliers (from memory, not checked against print), Rennels and Hudson 2012 for the
    /// one inlet. Manufacturers' solvent-weld fittings scatter by 30 % about these.
    pub fn minor_loss(self, diameter: f64) -> f64 {
        let turbulent = |multiplier: f64| multiplier * crane_friction_factor(diameter);
        match self {
            Self::Elbow90 => turbulent(30.0),
            Self::Elbow45 => turbulent(16.0),
            Self::TeeBranch => turbulent(60.0),
            Self::TeeRun => turbulent(20.0),
            Self::BallValve => turbulent(3.0),
            Self::SwingCheckValve => turbulent(100.0),
            Self::SharpInlet => 0.5,
            Self::SharpInletRennels => 0.57,
            Self::ProjectingInlet => 0.78,
            Self::Exit => 1.0,
        }
    }
}

/// Crane's friction factor of complete turbulence `f_T` for a diameter in m.
///
/// Colebrook's factor at `Re = 7.5e6 D` and `e/D = 3.4126825e-5 D^-1.0112`: the fit to Crane's table that the `fluids`
/// library publishes, valid for nominal sizes of 1/2 to 24 inch.
pub fn crane_friction_factor(diameter: f64) -> f64 {
    if diameter <= 0.0 {
        return 0.0;
    }
    colebrook(7.5e6 * diameter, 3.412_682_535_292_5e-5 * libm::pow(diameter, -1.0112))
}

/// Diameter of the bore that passes a flow under a head, all else as in `pipe`, m, between 1 mm and 1 m.
///
/// The answer to "how wide must this drain be". An end of the range comes back if the true answer lies beyond it.
pub fn diameter_for(pipe: &Pipe, flow: f64, head: f64, kinematic_viscosity: f64) -> f64 {
    root(1e-3, 1.0, |diameter| {
        let trial = Pipe { diameter, ..*pipe };
        head - trial.head_loss(flow, kinematic_viscosity, Friction::Churchill)
    })
}
