# Flash and statics of the VM alone on the ATmega328P: a program that calls all of it, less one that only reads bytes and works out
# a checksum. With the flags of the image: make -f size/vm.mk (in firmware/).
include Makefile
.DEFAULT_GOAL := vm-size

VM_SOURCES := core/arith.c core/calc.c core/vm.c core/vm_read.c core/vm_run.c core/zone.c

.PHONY: vm-size
vm-size: $(OUTLINE) | $(BUILD)
	@$(call whole,$(BUILD)/vm.elf,atmega328p,-DWITH_VM,size/vm_main.c core/code.c $(VM_SOURCES))
	@$(call whole,$(BUILD)/no-vm.elf,atmega328p,,size/vm_main.c core/code.c)
	@avr-size $(BUILD)/no-vm.elf $(BUILD)/vm.elf | awk 'NR == 2 { flash = $$1 + $$2; statics = $$2 + $$3 } \
		NR == 3 { printf "VM alone: %d bytes of flash, %d of statics (its pool included)\n", $$1 + $$2 - flash, $$2 + $$3 - statics }'
