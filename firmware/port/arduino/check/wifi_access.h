// Of the check: a network with a name.
#define WIFI_NAME "tank"
#define WIFI_PASSWORD "made up"
