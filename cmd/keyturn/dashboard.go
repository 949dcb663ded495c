package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"sync"
	"time"

	"golang.org/x/term"

	"keyturn/daemon/dashboard"
	"keyturn/daemon/dashboard/access"
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

	Exercises string `help:"Folder of exercise files, for the instructor to release." type:"existingdir" placeholder:"FOLDER"`

	Listen  string   `help:"Where the pages are heard; beyond this machine they want TLS." default:"127.0.0.1:8733" placeholder:"ADDRESS"`
	Host    []string `help:"Name under which browsers ask for the pages; may be given more than once." placeholder:"NAME"`
	TLSCert string   `name:"tls-cert" help:"Certificate of the pages, PEM, with those in between; a renewed one needs no restart." placeholder:"FILE"`
	TLSKey  string   `name:"tls-key" help:"Its key." placeholder:"FILE"`
	Proxy   string   `name:"behind-proxy" help:"Address of a proxy that does TLS; nobody else is answered." placeholder:"ADDRESS"`
}

// closeWithin is how long open pages may take to end.
const closeWithin = 3 * time.Second

// Run keeps and shows until it is interrupted.
func (c *serveDashboard) Run(ctx context.Context) error {
	exercises, err := readExercises(c.Exercises)
	if err != nil {
		return err
	}
	host, err := os.Hostname()
	if err != nil {
		host = "host"
	}
	s, err := startShop(ctx, shopOptions{
		broker:  link.Broker{URL: c.Broker, Username: c.Username, PasswordFile: c.Password, CAFile: c.CA, CertFile: c.Cert, KeyFile: c.Key},
		root:    c.Root,
		records: c.Records, exercises: exercises, keeper: c.Keeper, client: "keyturn-" + c.Keeper + "-" + host, listen: c.Listen,
		door:   door{hosts: c.Host, certFile: c.TLSCert, keyFile: c.TLSKey, proxy: c.Proxy},
		logger: slog.New(slog.NewTextHandler(os.Stderr, nil)),
	})
	if err != nil {
		return err
	}
	fmt.Printf("The dashboard is at %s ; results are kept in %s. Ctrl-C ends.\n", s.url, c.Records)
	if err := s.sayHowToSetUp(ctx, os.Stdout); err != nil {
		return errors.Join(err, s.close())
	}
	<-ctx.Done()
	return s.close()
}

// shopOptions says what a shop's server is made of.
type shopOptions struct {
	broker          link.Broker
	root            string
	records, keeper string
	exercises       []dashboard.Exercise
	practice        dashboard.Practice // nil: none
	client          string             // begins the names at the broker
	listen          string
	door            door // but for where it listens
	logger          *slog.Logger
}

// shop is a shop's server.
type shop struct {
	address string
	url     string
	open    bool // nobody is asked who he is while there is no user
	records *records.Store
	access  *access.Access
	server  *http.Server
	stop    context.CancelFunc
	running sync.WaitGroup
}

// startShop opens the records, subscribes and serves.
func startShop(ctx context.Context, o shopOptions) (*shop, error) {
	o.door.listen = o.listen
	l, err := o.door.open(o.logger)
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	s := &shop{address: l.Addr().String(), url: l.url, open: l.open, stop: stop}
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
	publisher := o.broker
	publisher.ClientID = o.client + "-marks"
	marks, err := dashboard.NewMarksPublisher(dashboard.MarksOptions{Broker: publisher, Root: o.root, Keeper: o.keeper, Records: s.records, Logger: o.logger})
	if err != nil {
		return fail(err)
	}
	state, err := dashboard.NewState(o.root)
	if err != nil {
		return fail(err)
	}
	s.access = access.New(access.Options{Records: s.records, Open: l.open, Secure: l.secure, Logger: o.logger})
	h, err := dashboard.New(dashboard.Options{State: state, Records: s.records, Jobs: s.records, Exercises: o.exercises, Practice: o.practice, Access: s.access, Hosts: l.hosts, Secure: l.secure, Proxy: l.proxy,
		Done: ctx.Done(), Logger: o.logger})
	if err != nil {
		return fail(err)
	}
	watcher := o.broker
	watcher.ClientID = o.client + "-now"
	s.server = dashboard.Server(h)
	s.running.Go(func() { k.Run(ctx) })
	s.running.Go(func() { marks.Run(ctx) })
	s.running.Go(func() { dashboard.Watch(ctx, watcher, state, o.logger) })
	s.running.Go(func() {
		if err := s.server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			o.logger.Error("the pages are no longer served", "error", err)
		}
	})
	return s, nil
}

// sayHowToSetUp prints how the first user comes about, where one is needed. The code is
// for who sits at the terminal: a journal would keep it and hand it on.
func (s *shop) sayHowToSetUp(ctx context.Context, out *os.File) error {
	any, err := s.access.AnyUser(ctx)
	if err != nil || any || s.open {
		return err
	}
	how := "There is no user yet: make one with keyturn user add NAME --role instructor, with the same --records."
	if term.IsTerminal(int(out.Fd())) {
		how = fmt.Sprintf("There is no user yet: make the first one at %sset-up with the code %s, which holds for %v.", s.url, s.access.NewCode(), access.CodeFor)
	}
	_, err = fmt.Fprintln(out, how)
	return err
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
