"""The pure core: observations in, conclusions out. No sockets, files, clocks, or globals."""
