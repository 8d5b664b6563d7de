//! A layer between SQLite and the operating system ("VFS") that fails when told so, and that knows what would be on the disk if the
//! power went off now: what was written and then synced. It is the default of the process that installs it.
//!
//! Two things are pessimistic: nothing that was not synced survives, and a sync of one file makes only that file durable.
#![allow(unsafe_code)]

use std::collections::BTreeMap;
use std::ffi::{CStr, c_char, c_int, c_void};
use std::path::Path;
use std::sync::{Mutex, MutexGuard, Once, PoisonError};

use store::rusqlite::ffi::{self, sqlite3_file, sqlite3_io_methods, sqlite3_vfs};

/// What fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Writes, truncations and syncs that still go well.
    pub after: u64,
    /// How many fail then.
    pub times: u64,
    /// SQLite's code for a write or truncation; a sync fails as an I/O error.
    pub code: c_int,
}

#[derive(Default)]
struct State {
    fault: Option<Fault>,
    n_failed: u64,
    /// By path: what is on the disk, and what was written since the last sync.
    disk: BTreeMap<String, (Vec<u8>, Vec<Write>)>,
    is_recording: bool,
}

enum Write {
    Data(usize, Vec<u8>),
    Truncate(usize),
}

static STATE: Mutex<State> =
    Mutex::new(State { fault: None, n_failed: 0, disk: BTreeMap::new(), is_recording: false });

fn state() -> MutexGuard<'static, State> {
    STATE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// From now on this fails; None: nothing does. Gives how often something failed since it was last set.
pub fn set(fault: Option<Fault>) -> u64 {
    let mut state = state();
    state.fault = fault;
    std::mem::take(&mut state.n_failed)
}

/// Begins to record what would be on the disk; files must not exist yet.
pub fn record() {
    let mut state = state();
    state.disk.clear();
    state.is_recording = true;
}

/// Writes what would be on the disk now to another folder, by the files' names.
pub fn power_cut(to: &Path) {
    let state = state();
    for (path, (durable, _)) in &state.disk {
        let name = Path::new(path).file_name().expect("a file");
        std::fs::write(to.join(name), durable).expect("writes");
    }
}

/// The state's answer to an act: go on, or fail.
fn strike(is_sync: bool) -> Option<c_int> {
    let mut state = state();
    let fault = state.fault.as_mut()?;
    if fault.after > 0 {
        fault.after -= 1;
        return None;
    }
    if fault.times == 0 {
        return None;
    }
    fault.times -= 1;
    let code = if is_sync { ffi::SQLITE_IOERR_FSYNC } else { fault.code };
    state.n_failed += 1;
    Some(code)
}

fn apply(durable: &mut Vec<u8>, write: Write) {
    match write {
        Write::Data(at, data) => {
            if durable.len() < at + data.len() {
                durable.resize(at + data.len(), 0);
            }
            durable[at..at + data.len()].copy_from_slice(&data);
        }
        Write::Truncate(length) => durable.truncate(length),
    }
}

/// A file of this layer; the one of the layer below follows it in memory.
#[repr(C)]
struct File {
    base: sqlite3_file,
    path: *mut String,
}

/// The file of the layer below.
///
/// # Safety
///
/// `file` was opened by `open`, which had room for both.
unsafe fn below(file: *mut sqlite3_file) -> *mut sqlite3_file {
    // SAFETY: as the caller says.
    unsafe { file.cast::<File>().add(1).cast() }
}

/// The path of a file.
///
/// # Safety
///
/// As `below`, and it is not closed while the path is used.
unsafe fn path<'a>(file: *mut sqlite3_file) -> Option<&'a String> {
    // SAFETY: as the caller says.
    unsafe { (*file.cast::<File>()).path.as_ref() }
}

macro_rules! forward {
    ($name:ident, $method:ident, ($($arg:ident: $kind:ty),*)) => {
        unsafe extern "C" fn $name(file: *mut sqlite3_file, $($arg: $kind),*) -> c_int {
            // SAFETY: SQLite calls methods of an open file only; below it is an open file of the system's layer.
            unsafe {
                let below = below(file);
                match (*(*below).pMethods).$method {
                    Some(method) => method(below, $($arg),*),
                    None => ffi::SQLITE_IOERR,
                }
            }
        }
    };
}

forward!(read, xRead, (data: *mut c_void, n: c_int, at: i64));
forward!(write_below, xWrite, (data: *const c_void, n: c_int, at: i64));
forward!(truncate_below, xTruncate, (length: i64));
forward!(sync_below, xSync, (flags: c_int));
forward!(file_size, xFileSize, (size: *mut i64));
forward!(lock, xLock, (level: c_int));
forward!(unlock, xUnlock, (level: c_int));
forward!(check_reserved, xCheckReservedLock, (answer: *mut c_int));
forward!(control, xFileControl, (what: c_int, arg: *mut c_void));
forward!(sector_size, xSectorSize, ());
forward!(characteristics, xDeviceCharacteristics, ());
forward!(shm_map, xShmMap, (page: c_int, size: c_int, extend: c_int, at: *mut *mut c_void));
forward!(shm_lock, xShmLock, (offset: c_int, n: c_int, flags: c_int));
forward!(shm_unmap, xShmUnmap, (delete: c_int));
forward!(close_below, xClose, ());

unsafe extern "C" fn shm_barrier(file: *mut sqlite3_file) {
    // SAFETY: as in `forward`.
    unsafe {
        let below = below(file);
        if let Some(method) = (*(*below).pMethods).xShmBarrier {
            method(below);
        }
    }
}

unsafe extern "C" fn close(file: *mut sqlite3_file) -> c_int {
    // SAFETY: the path was made by `open` and is dropped here once.
    unsafe {
        let own = file.cast::<File>();
        if !(*own).path.is_null() {
            drop(Box::from_raw((*own).path));
            (*own).path = std::ptr::null_mut();
        }
        close_below(file)
    }
}

unsafe extern "C" fn write(file: *mut sqlite3_file, data: *const c_void, n: c_int, at: i64) -> c_int {
    if let Some(code) = strike(false) {
        return code;
    }
    // SAFETY: SQLite gives n bytes.
    unsafe {
        let code = write_below(file, data, n, at);
        if code == ffi::SQLITE_OK
            && let Some(path) = path(file)
        {
            let mut state = state();
            if state.is_recording {
                let bytes = std::slice::from_raw_parts(data.cast::<u8>(), n as usize).to_vec();
                state.disk.entry(path.clone()).or_default().1.push(Write::Data(at as usize, bytes));
            }
        }
        code
    }
}

unsafe extern "C" fn truncate(file: *mut sqlite3_file, length: i64) -> c_int {
    if let Some(code) = strike(false) {
        return code;
    }
    // SAFETY: as in `forward`.
    unsafe {
        let code = truncate_below(file, length);
        if code == ffi::SQLITE_OK
            && let Some(path) = path(file)
        {
            let mut state = state();
            if state.is_recording {
                state.disk.entry(path.clone()).or_default().1.push(Write::Truncate(length as usize));
            }
        }
        code
    }
}

unsafe extern "C" fn sync(file: *mut sqlite3_file, flags: c_int) -> c_int {
    if let Some(code) = strike(true) {
        return code;
    }
    // SAFETY: as in `forward`.
    unsafe {
        let code = sync_below(file, flags);
        if code == ffi::SQLITE_OK
            && let Some(path) = path(file)
            && let Some((durable, pending)) = state().disk.get_mut(path)
        {
            pending.drain(..).for_each(|write| apply(durable, write));
        }
        code
    }
}

static METHODS: sqlite3_io_methods = sqlite3_io_methods {
    iVersion: 2,
    xClose: Some(close),
    xRead: Some(read),
    xWrite: Some(write),
    xTruncate: Some(truncate),
    xSync: Some(sync),
    xFileSize: Some(file_size),
    xLock: Some(lock),
    xUnlock: Some(unlock),
    xCheckReservedLock: Some(check_reserved),
    xFileControl: Some(control),
    xSectorSize: Some(sector_size),
    xDeviceCharacteristics: Some(characteristics),
    xShmMap: Some(shm_map),
    xShmLock: Some(shm_lock),
    xShmBarrier: Some(shm_barrier),
    xShmUnmap: Some(shm_unmap),
    xFetch: None,
    xUnfetch: None,
};

unsafe extern "C" fn open(
    _: *mut sqlite3_vfs,
    name: *const c_char,
    file: *mut sqlite3_file,
    flags: c_int,
    out_flags: *mut c_int,
) -> c_int {
    // SAFETY: SQLite gives a file of `szOsFile` bytes, which `install` made large enough; `pNext` is not used, `system` is the layer
    // that was the default before and lives as long as the process.
    unsafe {
        let own = file.cast::<File>();
        (*own).base.pMethods = std::ptr::null();
        (*own).path = std::ptr::null_mut();
        let system = ffi::sqlite3_vfs_find(c"unix".as_ptr());
        let Some(open_system) = system.as_ref().and_then(|s| s.xOpen) else { return ffi::SQLITE_CANTOPEN };
        let code = open_system(system, name, below(file), flags, out_flags);
        if code != ffi::SQLITE_OK {
            return code;
        }
        if !name.is_null() {
            let path = CStr::from_ptr(name).to_string_lossy().into_owned();
            (*own).path = Box::into_raw(Box::new(path));
        }
        (*own).base.pMethods = &raw const METHODS;
        code
    }
}

/// A deleted file is gone from the disk at once.
unsafe extern "C" fn delete(_: *mut sqlite3_vfs, name: *const c_char, sync: c_int) -> c_int {
    // SAFETY: as in `open`; SQLite gives a name that ends with 0.
    unsafe {
        let system = ffi::sqlite3_vfs_find(c"unix".as_ptr());
        let Some(delete) = system.as_ref().and_then(|s| s.xDelete) else { return ffi::SQLITE_IOERR_DELETE };
        let code = delete(system, name, sync);
        if code == ffi::SQLITE_OK {
            state().disk.remove(CStr::from_ptr(name).to_string_lossy().as_ref());
        }
        code
    }
}

/// Makes this layer the default of the process.
pub fn install() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        // SAFETY: the copy of the system's layer keeps all its functions, which know the layer by `pAppData`; it is never freed.
        unsafe {
            let system = ffi::sqlite3_vfs_find(c"unix".as_ptr());
            let mut own = Box::new(*system);
            own.zName = c"faults".as_ptr();
            own.szOsFile += size_of::<File>() as c_int;
            own.xOpen = Some(open);
            own.xDelete = Some(delete);
            own.pNext = std::ptr::null_mut();
            let code = ffi::sqlite3_vfs_register(Box::into_raw(own), 1);
            assert_eq!(code, ffi::SQLITE_OK);
        }
    });
}
