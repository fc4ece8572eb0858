# What a developer runs. `make` alone lists it. Go and git are expected; what
# else the tests need, `make prepare` installs where it may.

TOOL := go tool -modfile=internal/tools/go.mod
BUF  := $(TOOL) buf

# Packages that run under the race detector too: the decisions and the use
# cases. RACE= on the command line leaves them out.
RACE ?= $(shell go list ./internal/... | grep -Ev '/internal/(endface|protoprint|testbed)(/|$$)')

.NOTPARALLEL:

.PHONY: help
help: ## list the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:[^#]*## /\t/' | expand -t 18

.PHONY: test
test: prepare check-go check-generated test-go test-race test-web ## everything that must hold before a change goes in
	@echo 'make test: formatting, vet, staticcheck, generated code, Go tests, race detector and phone client: all passed'

.PHONY: prepare
prepare: ## install what the tests need, where that is possible
	@internal/tools/prepare

.PHONY: check-go
check-go: ## formatting, vet, staticcheck
	@unformatted=$$(git ls-files -co --exclude-standard '*.go' | xargs gofmt -l); \
	  if [ -n "$$unformatted" ]; then echo "not as gofmt writes it:"; echo "$$unformatted"; exit 1; fi
	go vet ./...
	$(TOOL) staticcheck ./...

.PHONY: check-generated
check-generated: lint-proto ## generated code is what its sources give; the API breaks nothing that was released
	$(BUF) breaking proto --config .buf.yaml --against proto/released.binpb
	@internal/tools/generated proto/gen .buf.gen.yaml
	@internal/tools/generated server/openapi/openapi.yaml .buf.gen.openapi.yaml
	@if [ -f storage/sqlc.yaml ]; then $(TOOL) sqlc diff -f storage/sqlc.yaml; fi

.PHONY: test-go
test-go: ## all Go tests, on one PostgreSQL cluster of their own
	go run ./internal/testbed/run go test ./...

.PHONY: test-race
test-race: ## the race detector over the decisions and the use cases
	@if [ -n '$(strip $(RACE))' ]; then \
	  echo 'go test -race -short (the packages of RACE)'; \
	  go run ./internal/testbed/run go test -race -short $(RACE); fi

.PHONY: test-web
test-web: ## the phone client: packages, types, lint, unit and browser tests, committed build
	@if [ -f server/web/package.json ]; then internal/tools/web; \
	  else echo 'test-web: there is no server/web/package.json yet'; fi

.PHONY: demo
demo: ## build the server and run it with a sample organisation
	go build -o bin/witnessmark ./server/cmd/witnessmark
	bin/witnessmark demo

.PHONY: bench
bench: ## all benchmarks, each once for a second
	go test -run '^$$' -bench . ./...

.PHONY: accuracy
accuracy: ## how well end faces are measured, against drawn ones whose truth is known
	go run ./internal/endface/accuracy

.PHONY: vulncheck
vulncheck: ## known vulnerabilities in what the program calls
	@out=$$($(TOOL) govulncheck ./... 2>&1); code=$$?; echo "$$out"; \
	  if [ $$code != 0 ] && echo "$$out" | grep -qE 'fetching vulnerabilities|dial tcp|no such host|connection refused|vuln\.go\.dev'; then \
	    echo 'vulncheck: the vulnerability database cannot be reached from here: nothing was checked'; fi; exit $$code

.PHONY: generate
generate: ## write proto/gen, the TypeScript messages and the SQL code again
	$(BUF) generate --config .buf.yaml --template .buf.gen.yaml
	$(BUF) generate --config .buf.yaml --template .buf.gen.openapi.yaml
	go run ./server/openapi server/openapi/openapi.yaml server/openapi.json
	@if [ -x server/web/node_modules/.bin/protoc-gen-es ]; then \
	  echo '$(BUF) generate --config .buf.yaml --template .buf.gen.web.yaml'; \
	  $(BUF) generate --config .buf.yaml --template .buf.gen.web.yaml; \
	elif [ -f server/web/package.json ]; then \
	  echo 'generate: TypeScript left as it is: run npm ci in server/web first'; fi
	@if [ -f storage/sqlc.yaml ]; then \
	  echo '$(TOOL) sqlc generate -f storage/sqlc.yaml'; \
	  $(TOOL) sqlc generate -f storage/sqlc.yaml; fi

.PHONY: lint-proto
lint-proto: ## check the protos: style, comments
	$(BUF) lint --config .buf.yaml

.PHONY: release-proto
release-proto: ## take the API as it is for the released one, which later ones are compared with
	$(BUF) build proto --config .buf.yaml -o proto/released.binpb

.PHONY: imported-protos
imported-protos: ## print the protos that ours import from the modules in go.mod
	go run ./internal/protoprint
