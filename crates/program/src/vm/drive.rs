//! Kernels of the final stages: where rule, procedure, hand, permissive and trip meet.

use super::{Frame, Storage};
use crate::op::{BitRef, NumRef, Stage, WhenBlind};
use crate::quality::{BAD, GOOD};

const FULL_DUTY: i32 = 1_000;

impl<const L: usize> Storage<'_, L> {
    #[inline(always)]
    #[allow(clippy::too_many_arguments, reason = "the operands of one operation")]
    pub(super) fn drive(
        &mut self,
        frame: &Frame<'_>,
        result: usize,
        cell: usize,
        ordinal: usize,
        auto: BitRef,
        stage: &Stage,
        shortest_run_ms: i32,
        shortest_rest_ms: i32,
    ) {
        let auto = self.bit(auto);
        let permissive = self.bit(stage.permissive);
        let trip = self.bit(stage.trip);
        let first = self.bits[BitRef::FIRST_SCAN.index()];
        let (uptime, elapsed) = (&self.common.uptime_ms, &self.common.elapsed_ms);
        let (out, lasted) = (&mut self.bits[result], &mut self.cells[cell]);
        let outside = &mut self.drives[ordinal];
        let longest = shortest_run_ms.max(shortest_rest_ms);
        let at_power_up = u8::from(stage.on_at_power_up);
        for l in 0..L {
            let before = if first[l] == 1 { at_power_up } else { out[l] & 1 };
            let blind = match stage.when_blind {
                WhenBlind::Off => 0,
                WhenBlind::On => 1,
                WhenBlind::Hold => before,
            };
            let mut wanted = if auto[l] >> 1 == BAD { blind } else { auto[l] & 1 };
            wanted = if uptime[l] < stage.start_delay_ms { at_power_up } else { wanted };
            wanted = if outside.force[l] > 0 { outside.force[l] - 1 } else { wanted };
            let is_hand = outside.hand_left_ms[l] > 0;
            wanted = if is_hand { u8::from(outside.hand_value[l] > 0) } else { wanted };
            outside.hand_left_ms[l] = (outside.hand_left_ms[l] - frame.period_ms).max(0);

            let since = (lasted[l] + elapsed[l]).min(longest);
            let shortest = if before == 1 { shortest_run_ms } else { shortest_rest_ms };
            wanted = if since < shortest { before } else { wanted };

            let is_permitted = permissive[l] & 1 == 1 && permissive[l] >> 1 != BAD;
            wanted = if is_permitted { wanted } else { 0 };
            let is_tripped = trip[l] & 1 == 1 || trip[l] >> 1 == BAD;
            wanted = if is_tripped { u8::from(stage.on_when_tripped) } else { wanted };
            outside.blocked[l] = u8::from(is_tripped || !is_permitted);

            lasted[l] = if wanted == before { since } else { 0 };
            out[l] = wanted;
        }
    }

    pub(super) fn drive_duty(
        &mut self,
        frame: &Frame<'_>,
        result: usize,
        ordinal: usize,
        auto: NumRef,
        stage: &Stage,
    ) {
        let (auto, quality) = self.number(auto);
        let permissive = self.bit(stage.permissive);
        let trip = self.bit(stage.trip);
        let first = self.bits[BitRef::FIRST_SCAN.index()];
        let uptime = &self.common.uptime_ms;
        let out = &mut self.numbers[result];
        let outside = &mut self.drives[ordinal];
        let duty = |is_on: bool| if is_on { FULL_DUTY } else { 0 };
        for l in 0..L {
            let before = if first[l] == 1 { duty(stage.on_at_power_up) } else { out[l] };
            let blind = match stage.when_blind {
                WhenBlind::Off => 0,
                WhenBlind::On => FULL_DUTY,
                WhenBlind::Hold => before,
            };
            let mut wanted = if quality[l] == BAD { blind } else { auto[l].clamp(0, FULL_DUTY) };
            wanted = if uptime[l] < stage.start_delay_ms { duty(stage.on_at_power_up) } else { wanted };
            wanted = if outside.force[l] > 0 { duty(outside.force[l] == 2) } else { wanted };
            let is_hand = outside.hand_left_ms[l] > 0;
            wanted = if is_hand { outside.hand_value[l].clamp(0, FULL_DUTY) } else { wanted };
            outside.hand_left_ms[l] = (outside.hand_left_ms[l] - frame.period_ms).max(0);

            let is_permitted = permissive[l] & 1 == 1 && permissive[l] >> 1 != BAD;
            wanted = if is_permitted { wanted } else { 0 };
            let is_tripped = trip[l] & 1 == 1 || trip[l] >> 1 == BAD;
            out[l] = if is_tripped { duty(stage.on_when_tripped) } else { wanted };
            outside.blocked[l] = u8::from(is_tripped || !is_permitted);
        }
        self.qualities[result] = [GOOD; L];
    }
}
