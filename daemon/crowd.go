package daemon

import (
	"net"
	"net/netip"
	"sync"
)

// Bounds of browsers' connections. Beyond, a new one is closed at once. Proxies
// and this machine speak for many and are bounded together only; some room is theirs.
const (
	mostConns        = 4096
	reserved         = 256 // of these, for proxies and this machine
	mostConnsOfPlace = 256 // from one address, of IPv6 from one /64
)

// crowd is a listener that lets so many in and no more.
type crowd struct {
	net.Listener
	free func(netip.Addr) bool // counted together only

	mu  sync.Mutex
	all int
	of  map[netip.Prefix]int
}

func newCrowd(l net.Listener, proxies []netip.Prefix) *crowd {
	return &crowd{Listener: l, of: map[netip.Prefix]int{}, free: func(ip netip.Addr) bool {
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
	if c.all >= mostConns || counted && (c.all >= mostConns-reserved || c.of[place] >= mostConnsOfPlace) {
		return false
	}
	c.all++
	if counted {
		c.of[place]++
	}
	return true
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
