//! The loader and the VM as a chip would run them ask for no memory: counted, over programs that use every operation.
#![allow(clippy::unwrap_used)]
#![allow(unsafe_code, reason = "an allocator that counts")]

use program::generate::{inputs, program};
use program::quality::pack_bit;
use program::vm::{Common, DriveState, Storage, scan};
use program::{BitRef, Program};
use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

struct Counting;

thread_local! {
    static N_ALLOCATIONS: Cell<u64> = const { Cell::new(0) };
}

// SAFETY: everything is left to the system's allocator; the count is this thread's own and needs no memory.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        N_ALLOCATIONS.with(|n| n.set(n.get() + 1));
        // SAFETY: the caller's promise is passed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        // SAFETY: as above.
        unsafe { System.dealloc(at, layout) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

#[test]
fn loading_and_running_ask_for_no_memory() {
    for seed in 0..300 {
        let bytes = program(seed);
        let sizes = Program::validate(&bytes).unwrap().sizes();
        let mut numbers = vec![[0; 1]; sizes.n_numbers.into()];
        let mut qualities = vec![[0; 1]; sizes.n_numbers.into()];
        let mut bits = vec![[0; 1]; sizes.n_bits.into()];
        let mut cells = vec![[0; 1]; sizes.n_cells.into()];
        let mut drives = vec![DriveState::<1>::IDLE; sizes.n_drives.into()];
        let mut resets = vec![[0; 1]; sizes.n_trips.into()];
        let mut commands = vec![[0; 1]; sizes.n_procedures.into()];
        let mut common = Common::<1>::new();
        let all_inputs: Vec<_> =
            (0..40).map(|k| inputs(seed, k, &Program::validate(&bytes).unwrap())).collect();
        let before = N_ALLOCATIONS.with(Cell::get);
        let program = Program::validate(&bytes).unwrap();
        for inputs in &all_inputs {
            for (input, sample) in inputs.numbers.iter().enumerate() {
                numbers[input] = [sample.value];
                qualities[input] = [sample.quality as u8];
            }
            for (input, (value, quality)) in inputs.bits.iter().enumerate() {
                bits[input + BitRef::N_BUILT_IN] = [pack_bit(*value, *quality)];
            }
            common.clock_quality = [if inputs.clock_s.is_some() { 0 } else { 2 }];
            common.clock_s = [inputs.clock_s.unwrap_or(common.clock_s[0])];
            let mut storage = Storage {
                numbers: &mut numbers,
                qualities: &mut qualities,
                bits: &mut bits,
                cells: &mut cells,
                drives: &mut drives,
                resets: &mut resets,
                commands: &mut commands,
                common: &mut common,
            };
            scan(&program, &mut storage);
        }
        assert_eq!(N_ALLOCATIONS.with(Cell::get) - before, 0, "seed {seed}");
    }
}
