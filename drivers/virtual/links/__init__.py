"""How a virtual device is reached: sockets, pseudo-terminals and LAN protocols."""
