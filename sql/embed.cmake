# Makes queries.c, queries.h and migrations.c in OUT from SOURCE/queries/*.sql and SOURCE/migrations/*.sql.
#
# Everything is handled as hexadecimal, a blank after each byte: no SQL text can then be mistaken for CMake's own
# syntax, and any byte survives. In C a text is an array of '\xNN', which has no limit of length as a literal has.
cmake_minimum_required(VERSION 3.25)

# The lines of a file, each a run of "NN " without its line end.
function(read_lines file out)
    file(READ ${file} hex HEX)
    string(REGEX REPLACE "(..)" "\\1 " hex "${hex}")
    string(REGEX REPLACE "0a $" "" hex "${hex}")
    string(REPLACE "0a " ";" hex "${hex}")
    set(${out} "${hex}" PARENT_SCOPE)
endfunction()

# The C array 'name' that holds the lines as one text.
function(c_text name lines out)
    string(REPLACE ";" "0a " bytes "${lines}")
    string(REGEX REPLACE "(..) " "'\\\\x\\1'," bytes "${bytes}")
    string(REGEX REPLACE "('....','....','....','....','....','....','....','....','....','....','....','....',)"
        "\\1\n    " bytes "${bytes}")
    set(${out} "static const char ${name}[] = {\n    ${bytes}0};\n" PARENT_SCOPE)
endfunction()

# Splits a query into what its head lines promise and the statement, and counts the parameters.
function(split_query file promise_out statement_out params_out)
    read_lines(${file} lines)
    set(params 0)
    set(promise "")
    set(statement "") # a function sees its caller's variables
    set(in_head TRUE)
    foreach(line IN LISTS lines)
        if(in_head AND line MATCHES "^2d 2d ") # --
            if(line MATCHES "^2d 2d 20 24 ((3[0-9] )+)20 ") # $1
                string(REGEX REPLACE "3([0-9]) " "\\1" number "${CMAKE_MATCH_1}")
                math(EXPR params "${params} + 1")
                if(NOT number EQUAL params)
                    message(FATAL_ERROR "${file}: the head lines must name the parameters in order: $${params}, not $${number}")
                endif()
                list(APPEND promise "${line}")
            elseif(line MATCHES "^2d 2d 20 2d 3e 20 ") # ->
                list(APPEND promise "${line}")
            endif()
        else()
            set(in_head FALSE)
            list(APPEND statement "${line}")
        endif()
    endforeach()
    if(NOT statement)
        message(FATAL_ERROR "${file}: there is no statement below the head lines")
    endif()
    set(${promise_out} "${promise}" PARENT_SCOPE)
    set(${statement_out} "${statement}" PARENT_SCOPE)
    set(${params_out} ${params} PARENT_SCOPE)
endfunction()

function(embed_queries)
    file(GLOB files ${SOURCE}/queries/*.sql)
    set(code "#include \"queries.h\"\n\n#include <stddef.h>\n")
    set(header "#ifndef QUERIES_H\n#define QUERIES_H\n\n#include \"db.h\"\n\n")
    foreach(file IN LISTS files)
        get_filename_component(name ${file} NAME_WE)
        if(NOT name MATCHES "^[a-z][a-z0-9_]*$")
            message(FATAL_ERROR "${file}: a query's name is made of a-z, 0-9 and _")
        endif()
        split_query(${file} promise statement params)
        c_text(statement_${name} "${statement}" statement_text)
        c_text(promise_${name} "${promise}" promise_text)
        string(APPEND code "\n${statement_text}${promise_text}"
            "const struct query q_${name} = {\"${name}\", statement_${name}, ${params}};\n")
        string(APPEND header "extern const struct query q_${name};\n")
        string(APPEND list "    {&q_${name}, promise_${name}},\n")
    endforeach()
    string(APPEND header "
/* What the head lines of a query promise: its '-- $n' and '-- ->' lines. */
struct query_promise {
    const struct query *query;
    const char *text;
};
extern const struct query_promise query_promises[]; /* every query; a NULL query ends it */

#endif\n")
    file(WRITE ${OUT}/queries.h "${header}")
    file(WRITE ${OUT}/queries.c "${code}\nconst struct query_promise query_promises[] = {\n${list}    {NULL, NULL},\n};\n")
endfunction()

function(embed_migrations)
    file(GLOB files ${SOURCE}/migrations/*.sql)
    set(code "#include \"migrate.h\"\n\n#include <stddef.h>\n")
    set(previous 0)
    foreach(file IN LISTS files)
        get_filename_component(stem ${file} NAME_WE)
        if(NOT stem MATCHES "^([0-9][0-9][0-9][0-9])_([a-z0-9_]+)$")
            message(FATAL_ERROR "${file}: a migration is named NNNN_name.sql")
        endif()
        set(digits ${CMAKE_MATCH_1})
        set(name ${CMAKE_MATCH_2})
        string(REGEX REPLACE "^0+" "" number "${digits}")
        if(NOT number GREATER previous)
            message(FATAL_ERROR "${file}: step ${number} stands twice")
        endif()
        set(previous ${number})
        read_lines(${file} lines)
        c_text(step_${number} "${lines}" text)
        string(APPEND code "\n${text}")
        string(APPEND list "    {${number}, \"${name}\", step_${number}},\n")
    endforeach()
    file(WRITE ${OUT}/migrations.c "${code}\nconst struct migration migrations[] = {\n${list}    {0, NULL, NULL},\n};\n")
endfunction()

embed_queries()
embed_migrations()
