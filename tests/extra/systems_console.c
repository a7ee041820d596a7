/* Runs a command in a console of its own on Windows and ends it: `console EVENT TEXT SECONDS COMMAND`. Once the command has
 * printed TEXT, EVENT happens: 0 is Ctrl-C, 1 Ctrl-Break, 2 a closed console. After so many SECONDS the command is killed, as
 * Windows kills a program whose console was closed. */
#include <windows.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The headers of mingw lack pseudo consoles, and kernelbase!CtrlRoutine is declared nowhere. */
#define ATTRIBUTE_OF_PSEUDO_CONSOLE 0x00020016
typedef HRESULT(WINAPI *Create)(COORD, HANDLE, HANDLE, DWORD, HANDLE *);

static HANDLE output, seen;
static const char *awaited;

static void say(const char *format, DWORD number) {
    fprintf(stderr, format, number);
    fflush(stderr);
}

static void fail(const char *what) {
    fprintf(stderr, "\nconsole: %s: error %lu\n", what, GetLastError());
    exit(1);
}

/* Passes on what the command prints. */
static DWORD WINAPI shown(void *unused) {
    static char all[1 << 20];
    DWORD length = 0, more = 0;
    while (length + 4096 < sizeof all && ReadFile(output, all + length, 4096, &more, 0) && more) {
        fwrite(all + length, 1, more, stdout);
        fflush(stdout);
        length += more;
        all[length] = 0;
        if (strstr(all, awaited)) SetEvent(seen);
    }
    return 0;
}

int main(int count, char **words) {
    if (count < 5) return 2;
    DWORD_PTR event = strtoul(words[1], 0, 10);
    awaited = words[2];
    char line[8192] = "";
    for (int k = 4; k < count; k++) {
        if (strlen(line) + strlen(words[k]) + 4 > sizeof line) return 2;
        sprintf(line + strlen(line), "\"%s\" ", words[k]);
    }
    HMODULE base = LoadLibraryA("kernelbase.dll");
    Create create = (Create)(void *)GetProcAddress(base, "CreatePseudoConsole");
    void *routine = (void *)GetProcAddress(base, "CtrlRoutine");
    if (!create || !routine) fail("kernelbase");

    HANDLE typed, keys, drawn, screen, printed, console;
    COORD size = {200, 60};
    SECURITY_ATTRIBUTES inherited = {sizeof inherited, 0, TRUE};
    if (!CreatePipe(&typed, &keys, 0, 0) || !CreatePipe(&drawn, &screen, 0, 0) || !CreatePipe(&output, &printed, &inherited, 0))
        fail("pipes");
    if (create(size, typed, screen, 0, &console)) fail("console");
    SIZE_T room = 0;
    InitializeProcThreadAttributeList(0, 1, 0, &room);
    STARTUPINFOEXA start = {0};
    start.StartupInfo.cb = sizeof start;
    start.StartupInfo.dwFlags = STARTF_USESTDHANDLES;
    start.StartupInfo.hStdOutput = start.StartupInfo.hStdError = printed;
    start.lpAttributeList = malloc(room);
    if (!InitializeProcThreadAttributeList(start.lpAttributeList, 1, 0, &room)
        || !UpdateProcThreadAttribute(start.lpAttributeList, 0, ATTRIBUTE_OF_PSEUDO_CONSOLE, console, sizeof console, 0, 0))
        fail("attribute");
    seen = CreateEventA(0, TRUE, FALSE, 0);
    PROCESS_INFORMATION command;
    if (!CreateProcessA(0, line, 0, 0, TRUE, EXTENDED_STARTUPINFO_PRESENT, 0, 0, &start.StartupInfo, &command)) fail("command");
    CreateThread(0, 0, shown, 0, 0, 0);
    if (WaitForSingleObject(seen, 120000)) {
        TerminateProcess(command.hProcess, 1);
        fail("the text did not appear");
    }

    if (event == CTRL_C_EVENT) {
        FreeConsole();
        if (!AttachConsole(command.dwProcessId) || !SetConsoleCtrlHandler(0, TRUE)) fail("attach");
        if (!GenerateConsoleCtrlEvent(CTRL_C_EVENT, 0)) fail("event");
    } else if (!CreateRemoteThread(command.hProcess, 0, 0, (LPTHREAD_START_ROUTINE)routine, (void *)event, 0, 0)) {
        fail("event");
    }
    DWORD from = GetTickCount(), code = 0;
    say("\nconsole: event %lu\n", (DWORD)event);
    if (WaitForSingleObject(command.hProcess, strtoul(words[3], 0, 10) * 1000)) {
        TerminateProcess(command.hProcess, 1);
        say("\nconsole: killed after %lu ms\n", GetTickCount() - from);
        return 0;
    }
    say("\nconsole: ended after %lu ms\n", GetTickCount() - from);
    GetExitCodeProcess(command.hProcess, &code);
    Sleep(200); /* The last of the screen. */
    say("\nconsole: code %lu\n", code);
    return 0;
}
