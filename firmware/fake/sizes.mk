# What the link takes on the smallest chip, with the flags of the images; included by firmware/Makefile, which has CC, SMALL and the like.
SIZES_PARTS = CABLE NETWORK
SIZES_CABLE = core/link.c core/link_record.c core/frame.c
SIZES_NETWORK = $(SIZES_CABLE) $(NETWORK_SOURCES)
# The pretended board needs more SRAM than the chip has; nothing of it runs.
SIZES_FLAGS = $(WARNINGS) -Icore -Ifake -mmcu=atmega328p -DF_CPU=16000000UL $(SMALL) $(LINK) -Wl,--defsym=__DATA_REGION_LENGTH__=0xF000

.PHONY: sizes-link
# One section for all of the pretended board: it is there whole in each program.
sizes-link: | $(BUILD)
	@$(CC) $(filter-out -flto -Wconversion -f%-sections,$(SIZES_FLAGS)) -c fake/fake.c -o $(BUILD)/fake.o
	@$(CC) $(SIZES_FLAGS) -DWITHOUT_LINK fake/sizes_main.c core/code.c $(BUILD)/fake.o -o $(BUILD)/link_NONE.elf
	@$(CC) $(SIZES_FLAGS) fake/sizes_main.c core/code.c $(SIZES_CABLE) $(BUILD)/fake.o -o $(BUILD)/link_CABLE.elf
	@$(CC) $(SIZES_FLAGS) -DNETWORK fake/sizes_main.c core/code.c $(SIZES_NETWORK) $(BUILD)/fake.o -o $(BUILD)/link_NETWORK.elf
	@for part in NONE $(SIZES_PARTS); do avr-size $(BUILD)/link_$$part.elf; done | awk '$$1 != "text" { flash[n + 0] = $$1 + $$2; sram[n++ + 0] = $$2 + $$3 } \
		END { printf "link over the cable: %d bytes of flash, %d of SRAM\nwith network: %d and %d more\n", flash[1] - flash[0], \
		sram[1] - sram[0], flash[2] - flash[1], sram[2] - sram[1] }'
