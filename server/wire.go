package main

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/firmware"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/demo"
	"ohmkeep/server/health"
	"ohmkeep/server/keeping"
	"ohmkeep/server/lab"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/people"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/routes"
	"ohmkeep/server/turn"
	"ohmkeep/web"
)

// wire makes the bench, its station and the routes.
func (a *app) wire(ctx context.Context) (http.Handler, error) {
	def := rehearsal.DefaultBench()
	clock := bench.NewPacedClock(bench.FineClock{})
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: a.drawn()})
	if err != nil {
		return nil, err
	}
	identity, err := b.Identify(ctx)
	if err != nil {
		return nil, err
	}
	if err := keepBench(ctx, a.store, def, a.Log); err != nil {
		return nil, err
	}
	names := hostNames(a.Hosts)
	public, err := publicAddress(a.Public, a.scheme(), a.listener.Addr().String())
	if err != nil {
		return nil, err
	}
	if err := keepAddress(a.Data, public); err != nil {
		a.Log.Warn("the address was not kept: ohmkeep invite needs -public", "err", err)
	}
	if u, err := url.Parse(public); err == nil {
		names = append(names, u.Hostname()) // browsers call it so
	}
	a.hub = live.NewHub(a.Log, routes.OriginCheck(names))
	runs := liverun.New(a.hub, a.store, a.Log)
	a.runs = runs
	a.benches = &benches{store: a.store, runs: runs, log: a.Log, rehearsal: b, rehearsed: def, clock: clock, open: openCards(a.Log)}
	first, err := a.benches.first(ctx)
	if err != nil {
		return nil, err
	}
	reference := protocol.Reference()
	a.memory = health.NewGauge(health.MemoryLeft)
	a.reports = turn.NewQueue(turn.Limits{Memory: a.memory.Refuse})
	a.keeper = keeping.New(keeping.Config{Store: a.store, Reports: a.reports, Log: a.Log, Dir: cmp.Or(a.BackupDir, filepath.Join(a.Data, "backups")),
		Every: a.BackupEvery, Keep: a.BackupKeep,
		Room: func() (free, reserve uint64, err error) {
			free, _, err = health.DiskOf(a.Data)
			return free, health.DiskReserve, err
		}})
	who := people.New(people.Config{Store: a.store, Log: a.Log, SessionAge: a.SessionAge})
	rules := lab.New(lab.Config{Store: a.store, Live: runs, Log: a.Log, Open: a.benches.Use, ControlIdle: a.ControlIdle, Stands: who.Stands, CarryOut: a.carryOut, CheckFresh: a.CheckFresh, Demo: demo.Lab,
		Protocol: func() lab.Protocol { return web.NewDecoder(&reference) }}, first)
	cfg := routes.Config{
		Store: a.store, SignOn: a.SignOn, Public: public, Hub: a.hub, People: who, Reports: a.reports, Keeper: a.keeper, Runs: runs, Hosts: names, Proxies: a.Proxies, Log: a.Log, Version: versionText(),
		Lab: rules, Protocol: reference,
	}
	a.watchHealth(ctx, cfg.Lab)
	cfg.Health, cfg.Metrics = a.health, health.NewRegistry(a.health, func() health.Counts { return a.counts(cfg.Lab) })
	if cfg.Firmware, err = firmware.Zip(); err != nil {
		return nil, err
	}
	if a.Demo {
		if a.prepare, err = prepareDemo(ctx, a.store, def, identity, a.lot, a.atWork, a.Log); err != nil {
			return nil, fmt.Errorf("demonstration: %w", err)
		}
		cfg.Preparing, cfg.PreparingLot = a.prepare.progress, demo.LotName
	}
	if err := reseat(ctx, a.store, b, def.Key, a.BenchSeed); err != nil {
		a.Log.Warn("what sat on the rehearsal bench could not be seated again", "err", err)
	}
	work := []func(context.Context){rules.WatchControl}
	if a.SignOn != nil {
		work = append(work, a.SignOn.Watch)
	}
	a.beside(ctx, work...)
	return routes.New(cfg), nil
}

// drawn is the seed of the rehearsal bench that a start begins with.
func (o *options) drawn() uint64 {
	if o.BenchSeed != nil {
		return *o.BenchSeed
	}
	return benchSeed
}

// atWork reports whether a run, or another piece of work, goes on at the bench.
func (a *app) atWork() bool {
	now := a.benches.station().Snapshot()
	return now.AtWork()
}

// hostNames returns the names that browsers may call this server by.
func hostNames(extra string) []string {
	var names []string
	if own, err := os.Hostname(); err == nil && own != "" {
		own = strings.ToLower(own)
		names = append(names, own, own+".local")
	}
	for n := range strings.SplitSeq(extra, ",") {
		if n = strings.ToLower(strings.TrimSpace(n)); n != "" {
			names = append(names, n)
		}
	}
	return names
}
