package health

import (
	"strings"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"ohmkeep/server/problem"
)

// files is a file system of these files.
func files(of map[string]string) fstest.MapFS {
	out := fstest.MapFS{}
	for name, text := range of {
		out[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return out
}

// TestSystemMemory: what Linux says of limits is read as its documentation has it
// (Documentation/admin-guide/cgroup-v2.rst and cgroup-v1/memory.rst; proc(5)): a
// group is bound by those that it is in, and what is kept of files is room.
func TestSystemMemory(t *testing.T) {
	machine := "MemTotal:        1000000 kB\nMemFree:          100000 kB\nMemAvailable:     400000 kB\n"
	for name, c := range map[string]struct {
		files map[string]string
		want  []Memory
	}{
		"nothing tells": {nil, nil},
		"a machine without groups": {map[string]string{"proc/meminfo": machine},
			[]Memory{{Limit: 1000000 << 10, Left: 400000 << 10, Of: "this machine"}}},
		"version 2, the group around it has the limit": {map[string]string{
			"proc/self/cgroup":                      "0::/lab/ohmkeep\n",
			"sys/fs/cgroup/lab/ohmkeep/memory.max":  "max\n",
			"sys/fs/cgroup/lab/ohmkeep/memory.high": "max\n",
			"sys/fs/cgroup/lab/memory.max":          "200000000\n",
			"sys/fs/cgroup/lab/memory.high":         "max\n",
			"sys/fs/cgroup/lab/memory.current":      "150000000\n",
			"sys/fs/cgroup/lab/memory.stat":         "anon 90000000\nfile 60000000\ninactive_file 40000000\nactive_file 10000000\n",
		}, []Memory{{Limit: 200e6, Left: 100e6, Of: "its control group"}}},
		"version 2, held up before its limit": {map[string]string{
			"proc/self/cgroup":             "0::/\n",
			"sys/fs/cgroup/memory.max":     "200000000\n",
			"sys/fs/cgroup/memory.high":    "100000000\n",
			"sys/fs/cgroup/memory.current": "120000000\n",
		}, []Memory{{Limit: 100e6, Left: 0, Of: "its control group"}}},
		"version 1, seen from within a container": {map[string]string{
			"proc/self/cgroup":                           "5:cpu:/docker/x\n4:memory:/docker/x\n0::/\n",
			"sys/fs/cgroup/memory/memory.limit_in_bytes": "268435456\n",
			"sys/fs/cgroup/memory/memory.usage_in_bytes": "68435456\n",
			"sys/fs/cgroup/memory/memory.stat":           "cache 1\ntotal_inactive_file 10000000\ntotal_active_file 1000000\n",
		}, []Memory{{Limit: 268435456, Left: 211e6, Of: "its control group"}}},
		"version 1 without a limit": {map[string]string{
			"proc/self/cgroup":                           "4:memory:/\n",
			"sys/fs/cgroup/memory/memory.limit_in_bytes": "9223372036854771712\n",
			"sys/fs/cgroup/memory/memory.usage_in_bytes": "68435456\n",
		}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			got := systemMemory(files(c.files))
			if len(got) != len(c.want) || len(got) > 0 && got[0] != c.want[0] {
				t.Errorf("%+v, want %+v", got, c.want)
			}
		})
	}
}

// TestMemoryLevels: each limit has a reserve, and is told before it is gone.
func TestMemoryLevels(t *testing.T) {
	for _, c := range []struct {
		limit, left uint64
		want        Level
	}{
		{0, 0, Good}, {128 << 20, 40 << 20, Good}, {128 << 20, 31 << 20, Attention}, {128 << 20, 15 << 20, Trouble},
		{8 << 30, 300 << 20, Good}, {8 << 30, 200 << 20, Attention}, {8 << 30, 127 << 20, Trouble}, {8 << 30, 0, Trouble},
	} {
		s := sound()
		s.Memory = Memory{Limit: c.limit, Left: c.left, Of: "GOMEMLIMIT"}
		f := Judge(s)
		got := f.Fact("memory")
		if got.Level != c.want || (c.want == Trouble) != strings.Contains(got.Words, "are refused") {
			t.Errorf("%d of %d left: %+v", c.left, c.limit, got)
		}
	}
}

// TestGaugeRefuses: what takes much memory may not begin once the reserve is
// touched, and does not go on once half of it is gone.
func TestGaugeRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := Memory{Limit: 128 << 20, Left: 17 << 20}
		g := NewGauge(func() Memory { return m })
		for _, c := range []struct {
			left           uint64
			begins, goesOn bool
		}{{17 << 20, true, true}, {15 << 20, false, true}, {7 << 20, false, false}, {60 << 20, true, true}} {
			m.Left = c.left
			time.Sleep(gaugeEvery)
			begin, goOn := g.Refuse(false), g.Refuse(true)
			if (begin == nil) != c.begins || (goOn == nil) != c.goesOn {
				t.Errorf("%d MiB left: to begin %v, to go on %v", c.left>>20, begin, goOn)
			}
			if begin != nil && (problem.CodeOf(begin) != problem.Unavailable || !strings.Contains(begin.Error(), "a run at work goes on")) {
				t.Errorf("refused with %v", begin)
			}
		}
	})
}

// TestMemoryIsToldAtOnce: memory that goes within seconds is told between two looks
// at everything, once.
func TestMemoryIsToldAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &world{now: noon, free: 50e9}
		var left atomic.Uint64
		left.Store(1 << 29)
		sources := w.sources()
		sources.Memory = func() Memory { return Memory{Limit: 1 << 30, Left: left.Load()} }
		m := NewMonitor(t.Context(), sources)
		m.Start()
		defer m.Close()
		for _, is := range []uint64{1 << 29, 200 << 20, 100 << 20, 90 << 20, 1 << 29} {
			synctest.Wait() // nobody looks
			left.Store(is)
			time.Sleep(time.Second)
		}
		synctest.Wait()
		if got := strings.Join(w.said, "; "); got != "memory: attention; memory: trouble; memory: good" {
			t.Errorf("told: %s", got)
		}
	})
}

// TestMemoryLeft: this machine tells, and the Go runtime's own account adds up.
func TestMemoryLeft(t *testing.T) {
	held, garbage := goMemory()
	if held == 0 || held > 8<<30 || garbage > 8<<30 {
		t.Errorf("%d B held, %d B garbage", held, garbage)
	}
	if m := MemoryLeft(); m.Left > m.Limit {
		t.Errorf("%+v", m)
	}
}
