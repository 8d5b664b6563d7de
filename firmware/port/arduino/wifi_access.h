// Name and password of the radio network, for boards that have one: fill in, and keep to yourself. Left empty the radio stays off.
// Being in the network is not enough to command the board: its own key (docs/link.md) is set over the cable.
#define WIFI_NAME ""
#define WIFI_PASSWORD ""
