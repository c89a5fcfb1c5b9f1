package page

import (
	"context"
	"os"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
)

// stopBrowser ends the shared browser, if a test started it.
var stopBrowser = func() {} //nolint:gochecknoglobals // outlives every test

// theBrowser starts Chromium once: a start costs more than most tests.
var theBrowser = sync.OnceValues(func() (context.Context, error) { //nolint:gochecknoglobals // outlives every test
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath("chromium"), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	ctx, stopProcess := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, stopContext := chromedp.NewContext(ctx)
	stopBrowser = func() { stopContext(); stopProcess() }
	return ctx, chromedp.Do(ctx)
})

func TestMain(m *testing.M) {
	code := m.Run()
	stopBrowser()
	os.Exit(code)
}
