# Fuzzing of the link under the sanitizers; included by firmware/Makefile. N is the number of frames, SEED where it begins.
N ?= 200000
SEED ?= 1
FUZZ_CC ?= gcc
FUZZ_FLAGS = -std=c11 -O1 -g -Wall -Wextra -Werror -Wconversion -fsanitize=address,undefined -fno-sanitize-recover=all \
             -fno-omit-frame-pointer -DPORT_CHIP=4
FUZZ_FOLDER := $(abspath $(dir $(lastword $(MAKEFILE_LIST))))/
FUZZ_CORE := $(FUZZ_FOLDER)../core/
FUZZ_OUT ?= $(FUZZ_FOLDER)../build/
FUZZ_CABLE = $(addprefix $(FUZZ_CORE),link.c link_record.c frame.c code.c) $(FUZZ_FOLDER)fake.c

$(FUZZ_OUT)fuzz_link: $(FUZZ_FOLDER)fuzz_link.c $(FUZZ_CABLE) $(wildcard $(FUZZ_CORE)*.h $(FUZZ_FOLDER)*.h)
	@mkdir -p $(FUZZ_OUT)
	$(FUZZ_CC) $(FUZZ_FLAGS) -I$(FUZZ_CORE) -I$(FUZZ_FOLDER) $(filter %.c,$^) -o $@

FUZZ_NETWORK = $(FUZZ_CABLE) $(addprefix $(FUZZ_CORE),ascon.c network.c dhcp.c)

$(FUZZ_OUT)fuzz_network: $(FUZZ_FOLDER)fuzz_network.c $(FUZZ_NETWORK) $(wildcard $(FUZZ_CORE)*.h $(FUZZ_FOLDER)*.h)
	@mkdir -p $(FUZZ_OUT)
	$(FUZZ_CC) $(FUZZ_FLAGS) -DNETWORK -I$(FUZZ_CORE) -I$(FUZZ_FOLDER) $(filter %.c,$^) -o $@

.PHONY: fuzz-link fuzz-network
fuzz-link: $(FUZZ_OUT)fuzz_link
	$(FUZZ_OUT)fuzz_link $(N) $(SEED)
fuzz-network: $(FUZZ_OUT)fuzz_network
	$(FUZZ_OUT)fuzz_network $(N) $(SEED)
