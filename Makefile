# The two commands of the README are `make demo` and `make test`.

GO ?= go
PAGES := alerting/screen/pages
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
LDFLAGS := -X main.version=$(VERSION)

.PHONY: demo build deb pages test check race score fuzz bench deps release-check clean

demo: pages ## the invented yard, on this machine, with nothing installed
	$(GO) run -ldflags '$(LDFLAGS)' ./daemon/cmd/throwline demo

build: pages ## bin/throwline, with the pages inside
	$(GO) build -trimpath -ldflags '$(LDFLAGS)' -o bin/throwline ./daemon/cmd/throwline

deb: pages ## bin/throwline_VERSION_ARCH.deb
	sh deploy/deb/build.sh "$$(echo '$(VERSION)' | sed 's/^v//; /^[0-9]*\./!s/^/0.0.0~/')" bin

# Built anew when a page's source is newer than what was built.
pages: $(PAGES)/dist/index.html

$(PAGES)/dist/index.html: $(shell find $(PAGES) -type f -not -path '*/node_modules/*' -not -path '*/dist/*' -not -path '*/made/*') testdata/openapi.json go.mod
	sh $(PAGES)/build.sh

test: deps pages check race score fuzz ## everything that has to hold before a change lands

check: pages
	sh deploy/check.sh

race:
	$(GO) test -race -timeout 20m ./...

# What detection reaches on the sketched fleet: one goroutine, so the race
# detector would only make it eight times as slow.
score:
	$(GO) test ./daemon/demo/sketch

# A short search for inputs that break a decoder; long ones are run by hand.
FUZZTIME ?= 4s
fuzz:
	FUZZTIME=$(FUZZTIME) sh deploy/fuzz.sh

bench: ## figures; quiet machine, please
	$(GO) test -run '^$$' -bench . -benchmem ./...

# Before a release, beside `make test`; not part of it, because the database of
# known vulnerabilities is on the internet and goreleaser takes minutes to build.
release-check: ## what the program is made of, what is known of it, and the release's configuration
	mkdir -p bin
	sh deploy/sbom.sh bin/throwline.cdx.json
	sh deploy/vuln.sh
	$(GO) run github.com/goreleaser/goreleaser/v2@v2.14.0 check deploy/goreleaser.yaml

# What the tests need beside Go, Node and npm, from Debian, where this is
# Debian and we may install.
deps:
	sh deploy/deps.sh

clean:
	rm -rf bin $(PAGES)/node_modules $(PAGES)/made
	find $(PAGES)/dist -mindepth 1 -not -name .keep -delete
