//! Firmware images: Intel HEX, prebuilt runtimes, the tables block, serial bootloaders (docs/firmware.md).
