package daemon

import (
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"time"

	"throwline/alerting/screen"
)

// Bounds of browsers' connections. Beyond, a new one is closed at once, counted,
// and said in the log once a minute at most: an answer would cost more. Proxies
// and this machine speak for many and are bounded together only; some room is theirs.
const (
	mostConns        = 4096
	reserved         = 256 // of these, for proxies and this machine
	mostConnsOfPlace = 256 // from one address, of IPv6 from one /64
)

// crowd is a listener that lets so many in and no more.
type crowd struct {
	net.Listener
	free    func(netip.Addr) bool // counted together only
	refused *screen.Refusals
	log     *slog.Logger

	mu   sync.Mutex
	all  int
	of   map[netip.Prefix]int
	said time.Time // in the log
}

func newCrowd(l net.Listener, proxies []netip.Prefix, refused *screen.Refusals, log *slog.Logger) *crowd {
	return &crowd{Listener: l, refused: refused, log: log, of: map[netip.Prefix]int{}, free: func(ip netip.Addr) bool {
		if ip.IsLoopback() {
			return true
		}
		for _, p := range proxies {
			if p.Contains(ip) {
				return true
			}
		}
		return false
	}}
}

func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		place, counted := c.placeOf(conn)
		if !c.enter(place, counted) {
			_ = conn.Close()
			continue
		}
		return &guest{Conn: conn, leave: sync.OnceFunc(func() { c.leave(place, counted) })}, nil
	}
}

func (c *crowd) placeOf(conn net.Conn) (place netip.Prefix, counted bool) {
	from, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	if err != nil {
		return place, false
	}
	ip := from.Addr().Unmap().WithZone("")
	bits := ip.BitLen()
	if ip.Is6() {
		bits = 64
	}
	place, err = ip.Prefix(bits)
	return place, err == nil && !c.free(ip)
}

func (c *crowd) enter(place netip.Prefix, counted bool) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.all >= mostConns || counted && c.all >= mostConns-reserved:
		c.turnAway(screen.RefusedConnections, place)
		return false
	case counted && c.of[place] >= mostConnsOfPlace:
		c.turnAway(screen.RefusedOfAddress, place)
		return false
	}
	c.all++
	if counted {
		c.of[place]++
	}
	return true
}

// turnAway counts a connection that is closed; the caller holds the lock.
func (c *crowd) turnAway(why screen.Refused, from netip.Prefix) {
	c.refused.Add(why)
	if time.Since(c.said) < time.Minute {
		return
	}
	c.said = time.Now()
	c.log.Warn("connections of browsers are closed: there are too many", "last_from", from, "open", c.all, "most", mostConns, "open_of_address", c.of[from],
		"most_of_address", mostConnsOfPlace, "closed_of_addresses", c.refused.Count(screen.RefusedOfAddress), "closed_of_all", c.refused.Count(screen.RefusedConnections))
}

func (c *crowd) leave(place netip.Prefix, counted bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.all--
	if !counted {
		return
	}
	if c.of[place]--; c.of[place] == 0 {
		delete(c.of, place)
	}
}

// guest leaves the crowd when it is closed.
type guest struct {
	net.Conn
	leave func()
}

func (g *guest) Close() error {
	g.leave()
	return g.Conn.Close()
}
