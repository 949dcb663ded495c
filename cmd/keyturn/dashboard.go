package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"keyturn/daemon/dashboard"
	"keyturn/daemon/link"
	"keyturn/daemon/records"
)

// serveDashboard is the shop's server: it keeps the results of every bench and shows
// them.
type serveDashboard struct {
	Broker   string `help:"The shop's broker." default:"tcp://localhost:1883" placeholder:"URL"`
	Username string `help:"Name to log in there." placeholder:"NAME"`
	Password string `name:"password-file" help:"File that holds its password." type:"existingfile" placeholder:"FILE"`
	CA       string `name:"ca-file" help:"Certificates that the broker's must be signed by." type:"existingfile" placeholder:"FILE"`
	Cert     string `name:"cert-file" help:"Certificate to log in with." type:"existingfile" placeholder:"FILE"`
	Key      string `name:"key-file" help:"Its key." type:"existingfile" placeholder:"FILE"`
	Root     string `help:"Root of all topics." default:"keyturn"`
	Records  string `help:"Where results are kept: a file, or postgres://user@host/database." default:"records.db" placeholder:"FILE"`
	Keeper   string `help:"Name of this record keeper, as bench files name it." default:"records"`
	Listen   string `help:"Loopback address of the pages." default:"127.0.0.1:8733" placeholder:"ADDRESS"`
}

// closeWithin is how long open pages may take to end.
const closeWithin = 3 * time.Second

// Run keeps and shows until it is interrupted.
func (c *serveDashboard) Run(ctx context.Context) error {
	host, err := os.Hostname()
	if err != nil {
		host = "host"
	}
	s, err := startShop(ctx, shopOptions{
		broker:  link.Broker{URL: c.Broker, Username: c.Username, PasswordFile: c.Password, CAFile: c.CA, CertFile: c.Cert, KeyFile: c.Key},
		root:    c.Root,
		records: c.Records, keeper: c.Keeper, client: "keyturn-" + c.Keeper + "-" + host, listen: c.Listen,
		logger: slog.New(slog.NewTextHandler(os.Stderr, nil)),
	})
	if err != nil {
		return err
	}
	fmt.Printf("The dashboard is at http://%s/ ; results are kept in %s. Ctrl-C ends.\n", s.address, c.Records)
	<-ctx.Done()
	return s.close()
}

// shopOptions says what a shop's server is made of.
type shopOptions struct {
	broker          link.Broker
	root            string
	records, keeper string
	client          string // begins the names at the broker
	listen          string
	logger          *slog.Logger
}

// shop is a shop's server.
type shop struct {
	address string
	records *records.Store
	server  *http.Server
	stop    context.CancelFunc
	running sync.WaitGroup
}

// startShop opens the records, subscribes and serves.
func startShop(ctx context.Context, o shopOptions) (*shop, error) {
	l, err := listenLoopback(o.listen)
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	s := &shop{address: l.Addr().String(), stop: stop}
	fail := func(err error) (*shop, error) {
		stop()
		if s.records != nil {
			err = errors.Join(err, s.records.Close())
		}
		return nil, errors.Join(err, l.Close())
	}
	if s.records, err = records.Open(ctx, records.Options{URL: o.records}); err != nil {
		return fail(err)
	}
	keeper := o.broker
	keeper.ClientID = o.client
	k, err := dashboard.NewKeeper(dashboard.KeeperOptions{Broker: keeper, Root: o.root, Name: o.keeper, Records: s.records, Logger: o.logger})
	if err != nil {
		return fail(err)
	}
	state, err := dashboard.NewState(o.root)
	if err != nil {
		return fail(err)
	}
	h, err := dashboard.New(dashboard.Options{State: state, Records: s.records, Jobs: s.records, Done: ctx.Done(), Logger: o.logger})
	if err != nil {
		return fail(err)
	}
	watcher := o.broker
	watcher.ClientID = o.client + "-now"
	s.server = dashboard.Server(h)
	s.running.Go(func() { k.Run(ctx) })
	s.running.Go(func() { dashboard.Watch(ctx, watcher, state, o.logger) })
	s.running.Go(func() {
		if err := s.server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			o.logger.Error("the pages are no longer served", "error", err)
		}
	})
	return s, nil
}

// listenLoopback listens where only this machine can reach: nobody is asked who he is.
func listenLoopback(address string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	if err != nil || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("listen at %q: want a loopback address like 127.0.0.1:8733, for the pages ask nobody who he is", address)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	return l, nil
}

// close ends everything, the records last.
func (s *shop) close() error {
	s.stop()
	ctx, cancel := context.WithTimeout(context.Background(), closeWithin)
	defer cancel()
	err := s.server.Shutdown(ctx)
	if err != nil {
		err = s.server.Close()
	}
	s.running.Wait()
	return errors.Join(err, s.records.Close())
}
