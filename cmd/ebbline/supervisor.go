package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// supervisor tells the service manager how the daemon is, by the protocol of
// sd_notify(3): one datagram of KEY=VALUE lines to the socket that the manager
// names in NOTIFY_SOCKET. Without a manager every call does nothing.
type supervisor struct {
	addr  *net.UnixAddr // nil: nobody asked
	every time.Duration // between signs of life; 0: none are wanted
	log   *slog.Logger
}

// newSupervisor reads what the service manager asks of this process; lookup is
// os.LookupEnv.
func newSupervisor(lookup func(string) (string, bool), log *slog.Logger) *supervisor {
	s := &supervisor{log: log}
	if name, ok := lookup("NOTIFY_SOCKET"); ok && name != "" {
		if name[0] == '@' { // of the abstract name space
			name = "\x00" + name[1:]
		}
		s.addr = &net.UnixAddr{Name: name, Net: "unixgram"}
	}
	if pid, ok := lookup("WATCHDOG_PID"); ok && pid != strconv.Itoa(os.Getpid()) {
		return s // meant for another process of the service
	}
	if text, ok := lookup("WATCHDOG_USEC"); ok {
		if us, err := strconv.ParseInt(text, 10, 64); err == nil && us > 0 {
			s.every = time.Duration(us) * time.Microsecond / 4
		}
	}
	return s
}

// ready says that the start, or taking up a changed configuration, is over.
func (s *supervisor) ready(status string) { s.tell("READY=1\nSTATUS=" + status) }

// stopping says that the daemon ends now, as it was asked to.
func (s *supervisor) stopping() { s.tell("STOPPING=1\nSTATUS=Stopping.") }

// reloading says that a changed configuration is being taken up; ready follows.
func (s *supervisor) reloading() {
	var now unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &now) // cannot fail with this clock
	s.tell(fmt.Sprintf("RELOADING=1\nMONOTONIC_USEC=%d\nSTATUS=Taking up the configuration.", now.Nano()/1000))
}

func (s *supervisor) tell(what string) {
	if s.addr == nil {
		return
	}
	conn, err := net.DialUnix("unixgram", nil, s.addr)
	if err == nil {
		_ = conn.SetWriteDeadline(time.Now().Add(time.Second))
		_, err = conn.Write([]byte(what))
		_ = conn.Close()
	}
	if err != nil {
		s.log.Warn("the service manager cannot be told how the daemon is", "error", err)
	}
}

// vouch gives signs of life until ctx ends, but none while hung says that
// something stands still; the manager then ends and restarts the daemon.
func (s *supervisor) vouch(ctx context.Context, hung func() string) {
	if s.every == 0 || s.addr == nil {
		return
	}
	tick := time.NewTicker(s.every)
	defer tick.Stop()
	said := ""
	for {
		why := hung()
		switch {
		case why == "":
			s.tell("WATCHDOG=1")
		case said == "":
			s.log.Error("the daemon does not move; unless it does soon, the service manager restarts it", "why", why)
			s.tell("STATUS=Stuck: " + why)
		}
		if why == "" && said != "" {
			s.tell("STATUS=Moving again.")
		}
		said = why
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}
